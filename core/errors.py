"""The one error that core raises for bad input."""


class InputError(ValueError):
    """Input that cannot be worked on.

    The message is one sentence for the person at the screen: what is wrong, where, and
    what to do about it.
    """

"""A variant: the elements that are on the car together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..elements.element import Element
from ..errors import InputError


@dataclass(frozen=True)
class Assembly:
    """One variant of the wing.

    Attributes:
        name: as the person calls it ("as found").
        elements: those mounted in this variant, each name once.
    """

    name: str
    elements: tuple[Element, ...]

    def __post_init__(self) -> None:
        names = [e.name for e in self.elements]
        if len(set(names)) != len(names):
            raise InputError(f"Variant “{self.name}” names an element twice; give each its own name.")

    def element(self, name: str) -> Element:
        """The element called ``name``.

        Raises:
            InputError: the variant has none of that name.
        """
        for e in self.elements:
            if e.name == name:
                return e
        raise InputError(f"Variant “{self.name}” has no element “{name}”.")


def changed(assembly: Assembly, name: str, element: str, change: Callable[[Element], Element]) -> Assembly:
    """A new variant ``name`` in which ``element`` is replaced by ``change`` of it."""
    assembly.element(element)
    return Assembly(name, tuple(change(e) if e.name == element else e for e in assembly.elements))


def without(assembly: Assembly, name: str, element: str) -> Assembly:
    """A new variant ``name`` in which ``element`` is left out."""
    assembly.element(element)
    return Assembly(name, tuple(e for e in assembly.elements if e.name != element))

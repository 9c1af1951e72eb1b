"""What speaks against a flow run, in words and apart from what is merely good to know."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """Attributes: text: a sentence for people; parts: names of those whose forces it weakens, empty for all."""

    text: str
    parts: tuple[str, ...] = ()

    def weakens(self, part: str) -> bool:
        """Whether it speaks against the force on a part."""
        return not self.parts or part in self.parts

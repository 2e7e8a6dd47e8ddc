"""Remarks under a table, each once, referred to by a letter or a raised number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from string import ascii_lowercase

_RAISED = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(slots=True)
class Notes:
    """The remarks so far, in the order in which they came up."""

    texts: list[str] = field(default_factory=list)

    def mark(self, text: str) -> str:
        """The letter of a remark; after z come aa, bb and so on."""
        place = self._place(text)
        return ascii_lowercase[place % 26] * (1 + place // 26)

    def raised(self, texts: Sequence[str]) -> str:
        """The raised numbers of several remarks."""
        return "˒".join(raised(self._place(text) + 1) for text in texts)

    def _place(self, text: str) -> int:
        if text not in self.texts:
            self.texts.append(text)
        return self.texts.index(text)


def raised(number: int) -> str:
    """A whole number in raised digits."""
    return str(number).translate(_RAISED)

"""Names of steps: each once, within the length that a program allows."""

from __future__ import annotations

LONGEST = 64


class Names:
    """Gives each name once; shortened where it is too long."""

    def __init__(self) -> None:
        self._taken: set[str] = set()
        self._count: dict[str, int] = {}

    def take(self, wanted: str) -> str:
        """A name like the wanted one that no other step has."""
        name = wanted if len(wanted) <= LONGEST else wanted[: LONGEST - 1].rstrip() + "…"
        base = name
        while name in self._taken:
            number = self._count[base] = self._count.get(base, 1) + 1
            suffix = f" ({number})"
            name = base[: LONGEST - len(suffix)] + suffix
        self._taken.add(name)
        return name

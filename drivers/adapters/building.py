"""From station entries to adapters: what the entry points of group 'ohmward.drivers' name."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    pass

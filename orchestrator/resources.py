"""Where the shipped profiles, simulations and examples lie, in a checkout and in a wheel alike."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

_HERE = Path(__file__).resolve().parent


def resource_folder(kind: Literal["profiles", "sim_configs", "examples"]) -> Path:
    """The folder of shipped files of one kind; read-only by agreement.

    Raises:
        FileNotFoundError: the installation is incomplete.
    """
    installed, checkout = _HERE / "_data" / kind, _HERE.parent / kind
    if installed.is_dir():
        return installed
    # Beside the code only in a checkout: in site-packages that name may be anybody's.
    if (_HERE.parent / "pyproject.toml").is_file() and checkout.is_dir():
        return checkout
    raise FileNotFoundError(
        f"the shipped {kind} are missing at {installed}: install the package again"
    )

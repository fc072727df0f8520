"""What the numbers were computed with."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

__all__ = ["software_versions"]

_COMPUTES = ("numpy", "scipy", "lmfit", "pandas", "matplotlib", "molmass", "cantera", "pyarrow")


def software_versions() -> list[tuple[str, str]]:
    """Name and version of this package, of Python and of the libraries that are there."""
    found = [("strandwise", version("strandwise")), ("Python", platform.python_version())]
    for name in _COMPUTES:
        try:
            found.append((name, version(name)))
        except PackageNotFoundError:  # an extra that is not installed
            continue
    return found

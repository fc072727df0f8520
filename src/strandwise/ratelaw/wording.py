"""Numbers as the sentences about a law write them."""

from __future__ import annotations

__all__ = ["number_text"]


def number_text(value: float, decimals: int) -> str:
    """A number with a true minus sign."""
    return f"{value:.{decimals}f}".replace("-", "\N{MINUS SIGN}")

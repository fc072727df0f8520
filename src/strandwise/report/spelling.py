"""Signs that an output's encoding may lack, spelt in plain letters."""

from __future__ import annotations

__all__ = ["spell", "spell_what_fails"]

_SPELT = {
    "—": "-", "–": "-", "−": "-", "…": "..", "±": "+/-", "·": "*", "×": "x", "≤": "<=",
    "≥": ">=", "°": "deg ", "µ": "u", "μ": "u", "²": "2", "³": "3", "Δ": "change of ",
    "⁻": "^-", "¹": "1", "ⁿ": "^n", "⅓": "(1/3)", "σ": "sigma", "π": "pi", "γ": "gamma",
    "τ": "tau", "α": "alpha", "₀": "0", "√": "root of ", "≈": "about ", "→": "->",
    "\N{NO-BREAK SPACE}": " ",
}  # fmt: skip


def spell(character: str) -> str:
    """One character in letters that every encoding has; its code where there are none."""
    return _SPELT.get(character, f"\\x{ord(character):02x}")


def spell_what_fails(error: UnicodeError) -> tuple[str, int]:
    """Handler of encoding errors, for `codecs.register_error`.

    Raises
    ------
    UnicodeError
        The error is of decoding.
    """
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(spell, error.object[error.start : error.end])), error.end

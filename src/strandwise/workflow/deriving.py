"""New formulations from one of a campaign's, shown side by side and written down."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.formulation import derive_formulations, formulation_toml, recipe_properties
from strandwise.records import campaign_lock, fold_name, journal_of
from strandwise.workflow.opening import unknown_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.formulation import AlkaliProduct, Derivation, RecipeProperties, Way
    from strandwise.records import Campaign, CampaignFolder

__all__ = ["DescribedDerivation", "describe_derivations", "write_derivations"]


@dataclass(frozen=True, kw_only=True, slots=True)
class DescribedDerivation:
    """A derived formulation with what follows from its composition."""

    derivation: Derivation
    properties: RecipeProperties


def describe_derivations(
    campaign: Campaign,
    *,
    parent: str,
    replacement: str,
    shares: Sequence[float],
    replaces: str | None = None,
    ways: Sequence[Way] | None = None,
    stem: str | None = None,
    alkali: AlkaliProduct = "oxide",
) -> tuple[DescribedDerivation, ...]:
    """Derive formulations from one of a campaign's; see `derive_formulations`.

    Raises
    ------
    RequestError
        As `derive_formulations`.
    """
    if parent not in campaign.formulations:
        error = unknown_name("formulation", parent, campaign.formulations)
        raise error
    for key in (replacement, replaces):
        if key is not None and key not in campaign.ingredients:
            error = unknown_name("ingredient", key, campaign.ingredients)
            raise error
    derived = derive_formulations(
        campaign.formulations,
        campaign.ingredients,
        parent=parent,
        replacement=replacement,
        shares=shares,
        replaces=replaces,
        ways=ways,
        stem=stem,
    )
    return tuple(
        DescribedDerivation(
            derivation=derivation,
            properties=recipe_properties(derivation.recipe, campaign.ingredients, alkali=alkali),
        )
        for derivation in derived
    )


def write_derivations(folder: CampaignFolder, derivations: Sequence[Derivation]) -> str:
    """Append derived formulations to `formulations.toml`; nothing else in it changes by a byte.

    Returns
    -------
    str
        Name of the file, relative to the bench folder.

    Raises
    ------
    RequestError
        A name is taken meanwhile, the file would not read back as meant, or cannot be written.
    """
    path = folder.formulations
    shown = folder.shown(path)
    text = "\n".join(formulation_toml(derivation) for derivation in derivations)
    with campaign_lock(folder):
        old = path.read_bytes()
        line_end = b"\r\n" if b"\r\n" in old else b"\n"
        gap = b"" if old.endswith(b"\n") or not old else line_end
        new = old + gap + line_end + text.encode("utf-8").replace(b"\n", line_end)
        meant = {**_tables(old), **tomllib.loads(text)}
        known = {fold_name(name): name for name in _tables(old)}
        for name in (derivation.spec.name for derivation in derivations):
            if fold_name(name) in known:
                other = known[fold_name(name)]
                msg = f"{shown} has a formulation `{other}` already"
                msg += "" if other == name else f", which differs from `{name}` only in capitals"
                raise RequestError(msg, hint="nothing was changed")
        if _tables(new) != meant:
            msg = f"{shown} would not read back as it was meant"
            raise RequestError(msg, hint="nothing was changed; write the tables by hand")
        names = ", ".join(derivation.spec.name for derivation in derivations)
        journal_of(folder).change(f"mix derive {names}", path, new)
    return shown


def _tables(content: bytes) -> dict[str, object]:
    return tomllib.loads(content.decode("utf-8-sig"))

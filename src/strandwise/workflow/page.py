"""A campaign's finished results, gathered for its page; what cannot be had says why."""

from __future__ import annotations

import dataclasses
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from strandwise.errors import RecordsError, RequestError, StrandwiseError
from strandwise.records import Bench, may_lie_in, sha256_of, write_bytes
from strandwise.report.page.content import (
    FormulationDrift,
    InputFile,
    Missing,
    MotorForecasts,
    MotorPlan,
    PageContent,
    RecipeEntry,
    UnreadFiring,
)
from strandwise.report.versions import software_versions
from strandwise.workflow.fitting import fit_campaign, untested_caution
from strandwise.workflow.forecast import forecast_campaign
from strandwise.workflow.hindcast import hindcast_campaign
from strandwise.workflow.motor_design import find_motor
from strandwise.workflow.planning import plan_campaign
from strandwise.workflow.recipes import describe_formulations
from strandwise.workflow.reducing import reduce_campaign
from strandwise.workflow.tracking import compare_campaign, drift_of_campaign

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from strandwise.forecast import Wanted, Wording
    from strandwise.planning import MotorTests
    from strandwise.records import Campaign, CampaignFolder, CampaignReading

__all__ = ["gather_page", "may_be_written", "without_unread", "write_page"]

_OURS = b'<meta name="generator" content="strandwise '
_HEAD = 4096
# Codes of a raw trace that is not there, cannot be read or is another file.
_UNREAD = frozenset({"file-missing", "unreadable", "trace-changed"})

_Result = TypeVar("_Result")


def without_unread(reading: CampaignReading) -> tuple[Campaign, tuple[UnreadFiring, ...]]:
    """A campaign without the firings whose raw traces cannot be used, and those firings.

    A page is for people who look at the whole; one lost file must not keep the rest from them.

    Raises
    ------
    RecordsError
        There is any other fault in the campaign's files; the error carries them all.
    """
    lost: dict[str, UnreadFiring] = {}
    for problem in reading.problems:
        field = problem.source.field or ""
        if problem.code not in _UNREAD or not field.startswith("trace"):
            raise RecordsError(reading.problems)
        why = problem.message if not problem.hint else f"{problem.message}; {problem.hint}"
        test = Path(problem.source.path).stem
        lost.setdefault(test, UnreadFiring(test=test, why=why))
    campaign = reading.campaign
    if campaign is None:
        raise RecordsError(reading.problems)
    if lost:
        firings = tuple(firing for firing in campaign.firings if firing.test not in lost)
        campaign = dataclasses.replace(campaign, firings=firings)
    return campaign, tuple(lost.values())


def gather_page(
    folder: CampaignFolder,
    campaign: Campaign,
    *,
    motors: Sequence[Path] | None = None,
    wanted: Wanted | None = None,
    unread: Sequence[UnreadFiring] = (),
    wording: Wording,
    units: str | None = None,
) -> PageContent:
    """Reduce, fit, compare, chart, plan, hindcast and forecast, for one page.

    Parameters
    ----------
    folder, campaign
        Where it lies, and its records without faults.
    motors
        Files or names; None: all in the campaign's folder `motors/`, of which a faulty one says
        so on the page.
    wanted
        What the motors are to do; None: not asked.
    unread
        Firings that are not among the records, since their traces cannot be used.
    wording
        How texts write a forecast's quantities.
    units
        Choice of units in which all others speak; None: the campaign's.

    Raises
    ------
    RequestError, RecordsError
        A motor that was asked for is not there, or has faults.
    DataError
        A raw trace cannot be read.
    """
    if motors is not None:
        for motor in motors:
            find_motor(folder, campaign, motor)
    kept = folder.motor_files()
    # Whole paths, so that no file of the same name elsewhere stands in for it.
    named = kept if motors is None else list(motors)
    reduced = reduce_campaign(campaign, units)
    format_pressure = wording.pressure
    plan = _had(lambda: plan_campaign(reduced, format_pressure=format_pressure))
    mixed = dict.fromkeys(batch.formulation for batch in campaign.batches.values())
    untested = untested_caution(reduced)

    def forecasts(motor: Path) -> MotorForecasts:
        found = _had(
            lambda: forecast_campaign(
                reduced,
                find_motor(folder, campaign, motor),
                bands=True,
                wanted=wanted,
                wording=wording,
            )
        )
        return MotorForecasts(motor=motor.stem, forecasts=found)

    def motor_tests(motor: Path) -> MotorTests:
        record = find_motor(folder, campaign, motor)
        found = plan_campaign(reduced, motor=record, format_pressure=format_pressure).for_motor
        assert found is not None  # a motor is named
        return found

    def drift(formulation: str) -> FormulationDrift:
        chart = _had(
            lambda: drift_of_campaign(
                reduced, formulation=formulation, format_pressure=format_pressure
            )
        )
        return FormulationDrift(formulation=formulation, chart=chart)

    return PageContent(
        campaign=campaign,
        points=reduced.points,
        firings=reduced.firings,
        fits=_had(lambda: fit_campaign(reduced)),
        comparison=_had(lambda: compare_campaign(reduced, format_pressure=format_pressure)),
        hindcast=_had(lambda: hindcast_campaign(reduced)),
        next_tests=(
            plan
            if isinstance(plan, Missing)
            # Without a motor the plan is one for the shifts' sake.
            else plan.next or Missing("the plan is one for a motor")
        ),
        detectable=() if isinstance(plan, Missing) else plan.detectable,
        motor_plans=tuple(
            MotorPlan(motor=motor.stem, tests=_had(partial(motor_tests, motor)))
            for motor in named
            if wanted is not None and wanted.peak_below is not None
        ),
        drifts=tuple(drift(name) for name in mixed),
        motors=tuple(forecasts(motor) for motor in named),
        recipes=_had(lambda: _recipes(campaign, units)),
        cautions=(*reduced.cautions, *([untested] if untested else [])),
        unread=tuple(unread),
        inputs=_inputs(folder, campaign, named),
        software=tuple(software_versions()),
    )


def may_be_written(folder: CampaignFolder, path: Path) -> None:
    """Refuse a place where a page would do harm; asked before the work, and before writing.

    Raises
    ------
    RequestError
        There is a file that is no page of this program, the folder is missing, or it is the one
        of the raw traces.
    """
    target = path.resolve()
    if may_lie_in(path, folder.traces):
        msg = f"the page `{path}` would lie among the raw traces"
        raise RequestError(msg, hint="choose another folder; nothing was changed")
    if not target.parent.is_dir():
        msg = f"the folder `{path.parent}` of the page does not exist"
        raise RequestError(msg, hint="make the folder first, or choose another")
    if target.is_dir():
        msg = f"`{path}` is a folder"
        raise RequestError(msg, expected="the name of a file, such as page.html")
    if target.exists() and not _is_ours(target):
        msg = f"`{path}` exists already and is no page that this program wrote"
        raise RequestError(msg, hint="choose another name; nothing was changed")


def _is_ours(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return _OURS in file.read(_HEAD)
    except OSError:
        return False


def write_page(folder: CampaignFolder, path: Path, page: bytes) -> None:
    """Write the page, all of it or nothing; raises as `may_be_written` and `write_bytes`."""
    may_be_written(folder, path)
    write_bytes(path, page)


def _had(make: Callable[[], _Result]) -> _Result | Missing:
    try:
        return make()
    except StrandwiseError as error:
        return Missing(str(error))


def _recipes(campaign: Campaign, units: str | None) -> tuple[RecipeEntry, ...]:
    return tuple(
        RecipeEntry(
            recipe=item.recipe,
            properties=item.properties,
            porosities=tuple(
                (mix.batch, mix.porosity) for mix in item.batches if mix.porosity is not None
            ),
            cautions=item.cautions,
        )
        for item in describe_formulations(campaign, units=units)
    )


def _inputs(
    folder: CampaignFolder, campaign: Campaign, motors: Sequence[Path]
) -> tuple[InputFile, ...]:
    bench = Bench(folder.bench)
    paths = {
        folder.settings,
        folder.formulations,
        folder.own_ingredients,
        folder.own_instruments,
        folder.batches,
        folder.strands,
        bench.ingredients,
        bench.instruments,
        *(folder.firing(firing.test) for firing in campaign.firings),
    }
    for firing in campaign.firings:
        if firing.trace is not None:
            paths.add(firing.trace.file)
            paths |= {one.file for one in firing.trace.channels.values() if one.file is not None}
    paths |= {path for path in map(folder.motor, motors) if path is not None}
    return tuple(
        InputFile(name=folder.shown(path), size=path.stat().st_size, sha256=sha256_of(path))
        for path in sorted(paths)
        if path.is_file()
    )

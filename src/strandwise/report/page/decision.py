"""What the page says first: which formulation, how sure, what next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.planning import suggestion_for_motor_sentence, suggestion_sentence
from strandwise.report.labels import format_number, format_ratio
from strandwise.report.page.blocks import said
from strandwise.report.page.content import Missing
from strandwise.report.page.writing import chance, joined
from strandwise.tracking import sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.forecast import CaseRisk, Forecast, Wanted
    from strandwise.report.page.content import MotorPlan, PageContent
    from strandwise.report.page.writing import Writer
    from strandwise.tracking import Comparison, FormulationShift

__all__ = ["DecisionLine", "decision_lines"]

_SIGNIFICANT = 0.05


@dataclass(frozen=True, slots=True)
class DecisionLine:
    """One question of the decision and what the records answer."""

    question: str
    answers: tuple[str, ...]


def decision_lines(content: PageContent, write: Writer) -> tuple[DecisionLine, ...]:
    """The decision: rank by what is wanted of a motor, else the largest shift that is shown."""
    asked = [found for found in _forecasts(content) if found[0].wanted]
    if asked:
        which = [text for found in asked for text in _ranked(found, write)]
    else:
        which = _largest_shift(content.comparison, write)
    lines = [
        ("Which formulation", which),
        ("How sure", _how_sure(content, write, asked=bool(asked))),
        ("Over the case's limit", _over(content, write)),
        ("What next", _next(content, write)),
    ]
    return tuple(DecisionLine(question, tuple(answers)) for question, answers in lines)


def _forecasts(content: PageContent) -> list[Sequence[Forecast]]:
    return [one.forecasts for one in content.motors if not isinstance(one.forecasts, Missing)]


def _ranked(found: Sequence[Forecast], write: Writer) -> list[str]:
    """Formulations of one motor by the share of draws that do what is wanted."""
    known = [(one.wanted.probability, one) for one in found if one.wanted is not None]
    shares = [(share, one) for share, one in known if share is not None]
    if not shares:
        return [f"For the motor {found[0].motor} no draw could be judged by what is wanted."]
    shares.sort(key=lambda pair: -pair[0])
    best, first = shares[0]
    wish = _wish(first.wanted, write)
    ties = [one.formulation for share, one in shares if share == best]
    if best == 0.0:
        text = f"No draw of any formulation keeps the motor {first.motor} {wish}."
    else:
        share = chance(best, first.draws).text
        verb = "keep" if len(ties) > 1 else "keeps"
        most = "" if len(shares) == 1 else ", more often than any other"
        text = (
            f"{joined(ties)} {verb} the motor {first.motor} {wish} in {share} of the draws{most}."
        )
        if best < 0.5:
            text += " That is less often than not."
    rest = [
        f"{one.formulation} {chance(share, one.draws).text}"
        for share, one in shares
        if share != best
    ]
    return [text, *([f"The others: {'; '.join(rest)}."] if rest else [])]


def _wish(wanted: Wanted | None, write: Writer) -> str:
    parts = []
    if wanted is not None and wanted.peak_below is not None:
        parts.append(f"below a peak of {write.limit(wanted.peak_below)} absolute")
    if wanted is not None and wanted.burn_longer is not None:
        parts.append(f"burning longer than {format_number(wanted.burn_longer)} s")
    return joined(parts)


def _largest_shift(comparison: Comparison | Missing, write: Writer) -> list[str]:
    if isinstance(comparison, Missing):
        return [said(f"That cannot be said yet: {comparison.why}")]
    shown = sorted(
        (row for row in _others(comparison) if _is_shown(row)),
        key=lambda row: -abs(row.shift or 0.0),
    )
    if not shown:
        return [
            f"No formulation is shown to burn otherwise than {comparison.baseline}; that is not "
            "the same as burning alike."
        ]
    told = sentence(shown[0], comparison, format_pressure=write.pressure, format_rate=write.rate)
    texts = [f"The largest change that is shown: {told}."]
    if len(shown) > 1:
        rest = [row.formulation for row in shown[1:]]
        texts.append(f"Also shown to differ: {joined(rest)}.")
    return texts


def _others(comparison: Comparison) -> list[FormulationShift]:
    return [row for row in comparison.formulations if row.formulation != comparison.baseline]


def _is_shown(row: FormulationShift) -> bool:
    if row.shift is None or row.shift_ci95 is None or row.shift_p is None:
        return False
    low, high = row.shift_ci95
    return not low <= 0.0 <= high and row.shift_p < _SIGNIFICANT


def _how_sure(content: PageContent, write: Writer, *, asked: bool) -> list[str]:
    texts = [
        said(f"{one.test} takes no part: its raw trace cannot be used ({one.why})")
        for one in content.unread
    ]
    comparison = content.comparison
    if not isinstance(comparison, Missing):
        counts = [
            f"{row.formulation} {row.batches} {_plural(row.batches, 'batch', 'batches')}, "
            f"{row.points} {_plural(row.points, 'test', 'tests')}"
            for row in comparison.formulations
        ]
        texts.append(f"It rests on: {'; '.join(counts)}.")
        if asked:
            texts += [
                f"{told}."
                for row in _others(comparison)
                for told in [
                    sentence(
                        row, comparison, format_pressure=write.pressure, format_rate=write.rate
                    )
                ]
            ]
    hindcast = content.hindcast
    if isinstance(hindcast, Missing):
        texts.append(said(f"The forecast was not held against a firing: {hindcast.why}"))
    else:
        held = [score for score in hindcast.scores if score.basis == "all-others"]
        counts = [
            f"{score.quantity.replace('-', ' ')} {score.inside} of {score.count}" for score in held
        ]
        if counts:
            texts.append(
                "Firings predicted without themselves that came out inside their 95 % interval: "
                f"{'; '.join(counts)}."
            )
    return texts


def _over(content: PageContent, write: Writer) -> list[str]:
    texts = []
    for found in _forecasts(content):
        risks = [(one, one.case) for one in found if one.case is not None]
        if not risks:
            texts.append(
                f"The file of the motor {found[0].motor} states no limit of its case, so no share "
                "of the draws over it can be told."
            )
            continue
        shares = [
            f"{one.formulation} {chance(case.probability_over, one.draws).text}"
            for one, case in risks
        ]
        limit = write.limit(risks[0][1].limit)
        texts.append(f"Motor {found[0].motor}, draws above {limit} absolute: {'; '.join(shares)}.")
        stacks = "; ".join(_against_limit(one, case, write) for one, case in risks)
        texts.append(
            f"Maximum expected operating pressure (MEOP, all causes at once) against {limit}: "
            f"{stacks}."
        )
    texts += [
        said(f"Motor {one.motor}: no forecast: {one.forecasts.why}")
        for one in content.motors
        if isinstance(one.forecasts, Missing)
    ]
    return texts or ["No motor is given, so nothing is forecast."]


def _against_limit(one: Forecast, case: CaseRisk, write: Writer) -> str:
    value = one.greatest.value
    if value is None:
        return f"{one.formulation} no bound, OVER the limit"
    place = "OVER the limit" if value > case.limit else "below it"
    over = format_ratio(case.limit / value)
    return f"{one.formulation} {write.pressure(value)}, {place} (limit/MEOP {over})"


def _next(content: PageContent, write: Writer) -> list[str]:
    """What tells most of the motors' peak pressures where one is wanted, else of the shifts."""
    texts = [text for one in content.motor_plans for text in _next_for_motor(one, write)]
    return texts or _next_for_shifts(content, write)


def _next_for_motor(plan: MotorPlan, write: Writer) -> list[str]:
    found = plan.tests
    if isinstance(found, Missing):
        why = f"Which test would tell most of the motor {plan.motor} cannot be said: {found.why}"
        return [said(why)]
    best = [
        suggestion_for_motor_sentence(one, format_pressure=write.pressure)
        for one in found.suggestions[:1]
    ] or ["no test inside the pressures tested would tell more"]
    return [
        *(said(f"For the peak pressure of the motor {plan.motor}: {text}") for text in best),
        *(said(extension.why) for extension in found.extensions),
    ]


def _next_for_shifts(content: PageContent, write: Writer) -> list[str]:
    plan = content.next_tests
    if isinstance(plan, Missing):
        return [said(f"Which test would tell most cannot be said: {plan.why}")]
    texts = [
        said(suggestion_sentence(one, format_pressure=write.pressure))
        for one in plan.suggestions[:1]
    ]
    texts += [said(extension.why) for extension in plan.extensions]
    return texts or ["No test inside the pressures tested would tell more."]


def _plural(count: int, one: str, many: str) -> str:
    return one if count == 1 else many

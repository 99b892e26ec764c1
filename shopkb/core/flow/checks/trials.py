"""Checks on what is tried several times, and on causes that come and go."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from shopkb.core.flow.checks.rules import Check, Flaw, at_outcome, at_step, rule
from shopkb.core.flow.findings import Level
from shopkb.core.flow.model import Cause, Flow, GoKind, Step
from shopkb.core.flow.names import cause_name
from shopkb.core.flow.paths import causes_from, causes_reachable
from shopkb.core.flow.trials import MOST_TRIALS, counted, share_shown, shown_at_all, tries, tries_wanted
from shopkb.core.readings.units import COUNT
from shopkb.core.typed_text import quoted

TRIALS: list[Check] = []

CLEARED: Final = 0.2
"""Share of vehicles with a cause that a step may lead away from it, as for the circuit's readings."""


@rule(TRIALS, "trials-number", "Tries that are no number of times", "Nobody knows how often to try.")
def trials_number(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        held = step.trials
        if held is not None and (held.quantity != COUNT or tries(step) != held.magnitude):
            fault = f"The step {quoted(step.key)} is tried {held}"
            yield Flaw(at_step(step, "trials"), fault, f"Write 1 to {MOST_TRIALS} times, such as 10 times.", step.key)


@rule(TRIALS, "shows-share", "Share of tries that is none", "How seldom a cause shows could not be reckoned with.")
def shows_share(flow: Flow) -> Iterator[Flaw]:
    for cause in flow.causes:
        if cause.shows is not None and share_shown(cause) == 1:
            fault = f"The cause {quoted(cause.key)} shows in {cause.shows} of the tries"
            hint = "Write a share over 0 % and under 100 %, such as 30 %; leave it out for what is always there."
            yield Flaw(f"causes.{cause.key}.shows", fault, hint)


@rule(
    TRIALS, "count-open", "Tries counted without their number",
    "More failures than tries could be typed.", Level.WARNING,
)  # fmt: skip
def count_open(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        reading = step.reading
        if reading is None or reading.quantity != COUNT:
            continue
        if step.trials is None:
            hint = "Write trials: 10 times, for example."
            yield Flaw(
                at_step(step, "trials"), f"The step {quoted(step.key)} counts, but not of how many", hint, step.key
            )
        elif reading.plausible is None:
            fault = f"The step {quoted(step.key)} takes more failures than its {tries(step)} tries"
            hint = f"Write plausible: 0 times .. {tries(step)} times."
            yield Flaw(at_step(step, "reading.plausible"), fault, hint, step.key)


@rule(
    TRIALS, "intermittent-cleared", "Too few tries for a cause that comes and goes",
    "It would be looked for where it is not.", Level.WARNING,
)  # fmt: skip
def intermittent_cleared(flow: Flow) -> Iterator[Flaw]:
    some = [cause for cause in flow.causes if share_shown(cause) < 1]
    for step in flow.steps if some else ():
        for cause in some:
            if cause.key in causes_from(flow, step.key):
                yield from _cleared(flow, step, cause)


def _cleared(flow: Flow, step: Step, cause: Cause) -> Iterator[Flaw]:
    away = [one for one in step.outcomes if cause.key not in causes_reachable(flow, step.key, one.key)]
    away = [one for one in away if one.go.kind is not GoKind.HAND_OVER]
    shares = counted(step, cause)
    missed = 1 - shown_at_all(step, cause)
    if len(shares):
        missed = sum(float(share) for share, one in zip(shares, step.outcomes, strict=True) if one in away)
    if not away or missed < CLEARED:
        return
    times = "once" if tries(step) == 1 else f"{tries(step)} times"
    fault = (
        f"Of vehicles with {cause_name(cause.component, cause.mode)}, which shows in {cause.shows} of tries, "
        f"{round(100 * missed)} % pass this step, tried {times}, and no way leads to it from {quoted(away[0].label)}"
    )
    enough = tries_wanted(cause, CLEARED / 4)
    more = f"Try {enough} times (trials:) to miss 5 % at most, or lead" if enough else "It shows too seldom: lead"
    hint = f"{more} on to where it can still be found."
    yield Flaw(at_outcome(step, away[0], "go"), fault, hint, step.key)

"""What most likely happened, from the evidence; what differs without a cause; what no leaf can tell."""

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from jobs.compute.exchange.evidence import LEAST_APART_NM, Evidence, Hypothesis
from jobs.compute.exchange.types import Cause, Finding, FittedValve, Fitting, LookBack, Outcome
from jobs.compute.exchange.words import cause_words, finding_words

SOMETHING = 0.95
"""From this probability that anything happened at all there is a finding."""
NAMED = 0.9
"""From this probability one cause is named as what happened."""
WORTH_A_WORD = 0.02


def look_back(fitting: Fitting) -> LookBack:
    """What the readings after the fit say. An engine without valves gives nothing to say."""
    outcomes = tuple(_outcome(fitting, valve) for valve in fitting.valves)
    differ, alike = _told_apart(fitting)
    findings = _findings(fitting, outcomes, differ, alike)
    named = {label for finding in findings for label in finding.labels}
    return LookBack(
        outcomes=outcomes,
        findings=tuple(findings),
        unexplained=tuple(one.label for one in outcomes if one.differs and one.label not in named),
        alike=tuple((fitting.valves[one].label, fitting.valves[other].label) for one, other in sorted(alike)),
    )


def differs(fitting: Fitting, valve: FittedValve) -> bool:
    """Whether the reading after lies apart from what was predicted, all uncertainty allowed for. Two that
    touch do not: one person's drag is the next one's stop.
    """
    return _outcome(fitting, valve).differs


def _outcome(fitting: Fitting, valve: FittedValve) -> Outcome:
    passes, stops = valve.before_nm
    if passes == 0:
        return Outcome(
            label=valve.label,
            predicted_nm=None,
            called_nm=None,
            measured_nm=valve.after_nm,
            off_nm=None,
            differs=False,
        )
    gained: Fraction | int = 0
    play: Fraction | int = 0
    if valve.opened:
        # Arithmetic on a Fraction takes twenty times as long, and most engines have a whole ratio.
        ratio = fitting.lash_ratio if fitting.lash_ratio.denominator != 1 else int(fitting.lash_ratio)
        half = {"measured": fitting.uncertainty.micrometer_nm, "marked": fitting.uncertainty.unworn_nm}
        gained = ratio * (valve.removed_nm - valve.fitted_nm)
        play = ratio * (half[valve.removed_known_by] + half[valve.fitted_known_by])
    low, high = passes + gained - play, stops + gained + play
    # What has no clearance is called 0, however far below it is.
    least = valve.after_nm[0] if valve.after_nm[0] > 0 else min(low, 0)
    return Outcome(
        label=valve.label,
        predicted_nm=(round(low), round(high)),
        called_nm=round(passes + gained),
        measured_nm=valve.after_nm,
        off_nm=round(valve.after_nm[0] - passes - gained),
        differs=high < least or valve.after_nm[1] < low,
    )


def _told_apart(fitting: Fitting) -> tuple[npt.NDArray[np.bool_], set[tuple[int, int]]]:
    """Which pairs of fitted shims differ; and which of them by too little for leaves to show an exchange."""
    opened = np.array([valve.opened for valve in fitting.valves], dtype=np.bool_)
    fitted = np.array([valve.fitted_nm for valve in fitting.valves], dtype=np.int64)
    leaf = np.array([_leaf(valve) for valve in fitting.valves], dtype=np.int64)
    apart = np.abs(fitted[:, None] - fitted)
    rounds = np.array([valve.round for valve in fitting.valves], dtype=np.int64)
    differ = (apart > 0) & opened[:, None] & opened & (rounds[:, None] == rounds)
    steps = 2 * np.maximum(leaf[:, None], leaf)
    p, q = fitting.lash_ratio.numerator, fitting.lash_ratio.denominator
    close = differ & ((apart < LEAST_APART_NM) | (apart * p < steps * q))
    return differ, {(one, other) for one, other in np.argwhere(np.triu(close, 1)).tolist()}


def _leaf(valve: FittedValve) -> int:
    """The coarser of the valve's two leaf steps."""
    return max(stops - passes for passes, stops in (valve.before_nm, valve.after_nm))


def _findings(
    fitting: Fitting,
    outcomes: tuple[Outcome, ...],
    differ: npt.NDArray[np.bool_],
    alike: set[tuple[int, int]],
) -> list[Finding]:
    """One thing at a time: what is found is set aside, then the other valves are looked at again."""
    if not fitting.valves:
        return []
    evidence = Evidence(fitting)
    standing = evidence.readable.copy()
    apart = differ.copy()
    for one, other in alike:
        apart[one, other] = apart[other, one] = False
    findings: list[Finding] = []
    while standing.any() and 1 - 1 / (1 + evidence.odds_at_most(standing)) >= SOMETHING:
        hypotheses = evidence.hypotheses(standing, differ, apart)
        total = 1 + sum(one.odds for one in hypotheses)
        if 1 - 1 / total < SOMETHING:
            break
        first = max(hypotheses, key=lambda one: one.odds)
        # What else may have happened to the same valves instead; another fault elsewhere is no rival.
        rivals = [one for one in hypotheses if set(one.valves) & set(first.valves)]
        standing[list(first.valves)] = False
        # Shims too much alike may be exchanged too: where that is worth a word nothing can be said for sure.
        unsure = sum(one.odds for one in rivals if one.kind == "exchange" and one.valves in alike)
        if unsure / (1 + sum(one.odds for one in rivals)) < WORTH_A_WORD:
            findings.append(_finding(fitting, outcomes, rivals))
    return findings


def _finding(fitting: Fitting, outcomes: tuple[Outcome, ...], rivals: list[Hypothesis]) -> Finding:
    total = 1 + sum(one.odds for one in rivals)
    ranked = sorted(rivals, key=lambda one: -one.odds)
    causes = tuple(
        Cause(
            kind=one.kind,
            labels=tuple(fitting.valves[valve].label for valve in one.valves),
            probability=one.odds / total,
            say=cause_words(fitting, outcomes, one),
        )
        for index, one in enumerate(ranked)
        if index == 0 or one.odds / total >= WORTH_A_WORD
    )
    explained = causes[0].probability >= NAMED
    return Finding(
        labels=causes[0].labels,
        causes=causes,
        explained=explained,
        say=finding_words(causes, explained=explained),
    )

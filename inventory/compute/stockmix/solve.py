"""What is proposed for every size of one family at one site, each with its reason in a sentence."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from inventory.compute.demand import DAYS_A_MONTH, Window, smoothed
from inventory.compute.stockmix.level import chance, enough

SELDOM = Fraction(1, 3_650)
"""Asked for less often than once in so many days, a size is not kept."""
FAR_MORE = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """service: above 0, below 1. review_days: working days from one look at what is low to the next.
    spread: variance over mean of what is asked for."""

    service: Fraction
    review_days: int
    looked_at: Window
    spread: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeFacts:
    """One made size. lead_days: the supplier's working days. capacity: what its bins take, None: no bound."""

    size_nm: int
    taken: int
    on_hand: int
    lead_days: int
    capacity: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """expected: shims within the time looked back over, neighbours counted in. chance: that a request within
    the protection time is met, in hundredths, rounded down; None where nothing is kept."""

    size_nm: int
    expected: Fraction
    protection_days: int
    proposed: int
    chance: int | None
    beyond: int
    why: str
    why_beyond: str


def propose(sizes: Sequence[SizeFacts], terms: Terms) -> list[Proposal]:
    """In the order of the sizes: every one that the family is made in, thinnest first."""
    lent = smoothed([size.taken for size in sizes])
    return [_of(size, expected, terms) for size, expected in zip(sizes, lent, strict=True)]


def _of(size: SizeFacts, expected: Fraction, terms: Terms) -> Proposal:
    looked_at, service, spread = terms.looked_at, float(terms.service), float(terms.spread)
    days = size.lead_days + terms.review_days
    mean = float(expected / looked_at.working_days * days)
    kept = expected >= looked_at.days * SELDOM
    wanted = enough(mean, service, spread) if kept else 0
    proposed = wanted if size.capacity is None else min(wanted, size.capacity)
    ahead = float(expected / looked_at.days * looked_at.months * DAYS_A_MONTH)
    lasts = max(proposed, enough(ahead, service, spread))
    beyond = size.on_hand - lasts
    met = int(100 * chance(proposed, mean, spread)) if proposed else None
    return Proposal(
        size_nm=size.size_nm,
        expected=expected,
        protection_days=days,
        proposed=proposed,
        chance=met,
        beyond=beyond if beyond >= FAR_MORE else 0,
        why=_why(size, expected, terms, days, wanted, proposed, met),
        why_beyond=_why_beyond(size.on_hand, lasts, terms) if beyond >= FAR_MORE else "",
    )


def _why(
    size: SizeFacts,
    expected: Fraction,
    terms: Terms,
    days: int,
    wanted: int,
    proposed: int,
    met: int | None,
) -> str:
    if not expected:
        return f"None fitted in {terms.looked_at.words}, nor of the sizes beside it."
    words = f"Fitted {size.taken} in {terms.looked_at.words}"
    tenths = round(expected * 10)
    if tenths != size.taken * 10:
        words += f", {tenths // 10}.{tenths % 10} with its neighbours’ share"
    if not wanted:
        return f"{words}: less than once in ten years, so buy it when it is asked for."
    working = f"{days} working day{'' if days == 1 else 's'}"
    if proposed < wanted:
        room = f"its bins take {proposed}" if proposed else "its bins take none"
        return f"{words}; {wanted} would last {working}, and {room}."
    return f"{words}; {proposed} last{'s' if proposed == 1 else ''} {working} at {met} in 100."


def _why_beyond(on_hand: int, lasts: int, terms: Terms) -> str:
    months = "month" if terms.looked_at.months == 1 else f"{terms.looked_at.months} months"
    enough_words = f"{lasts or 'none'} would do for the next {months}"
    return f"{on_hand} lie there, {enough_words}: stop buying it."

"""The physical shims that one fit may use, each of them once.

A shim is at hand when it is held for the job, when it has just come out of a valve that is being opened, when
it was left in the job's tray by an earlier fit, or when it lies in a bin and nobody holds it.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from inventory.compute.lengths import Length, from_nm, show
from inventory.models import Balance, Condition, Hold, HoldLine, Place, PlaceKind
from inventory.services.texts import text_errors
from jobs.models import Job, JobValve

TRAY = "tray"
_NOTHING_GIVEN: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shim:
    """One physical shim and where it comes from.

    source: "bin:B07", "valve:2-IN-L" or "tray", as the fit's record has it.
    keyed, known_by: how the valve that gets it will know its thickness.
    hold_line, place: where the ledger takes it from: the hold's line, else a bin, else the tray.
    """

    thickness_nm: int
    condition: str
    source: str
    keyed: str
    known_by: str
    hold_line: HoldLine | None = None
    place: Place | None = None


class NotAtHand(Exception):
    """There is no such shim, or another valve has it already; says so in a sentence's middle."""


@dataclass(slots=True, kw_only=True)
class AtHand:
    """What is left to take while shims are given to valves one by one."""

    job: Job
    pulled: dict[str, Shim]
    """By label, the own shims of the valves that are opened and that nobody has taken yet."""
    held: list[HoldLine]
    """One entry per held shim that nobody has taken yet."""
    beside: list[HoldLine] = field(default_factory=list)
    """As `held`, of what is held for the job by hand: only who says so took one of them."""
    takers: dict[str, str] = field(default_factory=dict)
    """Label of an opened valve -> the valve that its own shim went to."""
    from_tray: Counter[tuple[int, str]] = field(default_factory=Counter)
    """Taken from what an earlier fit left in the tray, by thickness and condition."""

    @classmethod
    def of(
        cls,
        job: Job,
        opened: Sequence[JobValve],
        holds: Sequence[Hold],
        given: Mapping[str, str] = _NOTHING_GIVEN,
        *,
        beside: Sequence[Hold] = (),
    ) -> "AtHand":
        """`given`: by label of a valve whose shim was handed over to another job before, where it went."""
        return cls(
            job=job,
            pulled={valve.label: _own(valve) for valve in opened if valve.label not in given},
            held=_one_by_one(holds),
            beside=_one_by_one(beside),
            takers=dict(given),
        )

    def from_valve(self, giver: str, *, to: str, opened: Mapping[str, JobValve]) -> Shim:
        """The own shim of an opened valve. Raises NotAtHand."""
        if giver not in opened:
            raise NotAtHand(f"{giver} keeps its shim; say also what went into {giver}")
        if giver not in self.pulled:
            raise NotAtHand(f"the shim of {giver} went to {self.takers[giver]} already")
        self.takers[giver] = to
        return self.pulled.pop(giver)

    def held_for(self, label: str, thickness_nm: int, condition: str) -> Shim:
        """The shim that is held for this valve, else one like it that is held. Raises NotAtHand."""
        alike = [
            line for line in self.held if (line.thickness_nm, line.condition) == (thickness_nm, condition)
        ]
        alike.sort(key=lambda line: line.label != label)
        if not alike:
            raise NotAtHand(f"no {show(thickness_nm)} mm shim is held for {label} any more")
        return self._take(alike[0])

    def named(
        self, source: str, length: Length, condition: str, *, to: str, opened: Mapping[str, JobValve]
    ) -> Shim:
        """The shim that a person says went in. Raises NotAtHand when it cannot have."""
        kind, _, name = source.partition(":")
        if kind == "valve" and name:
            shim = self.from_valve(name, to=to, opened=opened)
            if shim.thickness_nm != length.nm:
                raise NotAtHand(f"the shim of {name} is {show(shim.thickness_nm)} mm, not {length}")
            return shim
        if kind == "bin" and name:
            return self._from_bin(name, length, condition)
        if source == TRAY:
            return self._from_tray(length, condition, to=to)
        raise NotAtHand(
            'it comes from "tray", "bin:" and the bin\'s code, or "valve:" and the valve\'s label'
        )

    def _from_bin(self, code: str, length: Length, condition: str) -> Shim:
        for line in (*self.held, *self.beside):
            if line.taken_from.code == code and _is(line, length, condition):
                return self._take(line)
        if text_errors(Place, "code", code, ""):
            raise NotAtHand("there is no such bin here")
        place = Place.objects.filter(
            site_id=self.job.site_id, kind=PlaceKind.BIN, code=code, retired_at=None
        ).first()
        if place is None:
            raise NotAtHand(f"there is no bin {code} here")
        return _loose(place, f"bin:{code}", length, condition)

    def _from_tray(self, length: Length, condition: str, *, to: str) -> Shim:
        lying = [line for line in self.beside if line.place_id == self.job.tray_id]
        for line in (*self.held, *lying):
            if _is(line, length, condition):
                return self._take(line)
        for giver, shim in self.pulled.items():
            # Out of an engine: whether it counts as measured is the books' business, not the fitter's.
            if shim.thickness_nm == length.nm and condition != Condition.NEW:
                self.takers[giver] = to
                return self.pulled.pop(giver)
        key = (length.nm, condition)
        left = Balance.objects.filter(
            place=self.job.tray, family=self.job.family, thickness_nm=length.nm, condition=condition
        ).first()
        self.from_tray[key] += 1
        if left is None or left.on_hand - left.held < self.from_tray[key]:
            raise NotAtHand(f"tray {self.job.tray} has no {length} {_words(condition)} shim to spare")
        return _loose(self.job.tray, TRAY, length, condition)

    def _take(self, line: HoldLine) -> Shim:
        (self.held if line in self.held else self.beside).remove(line)
        return Shim(
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            source=TRAY if line.taken_from.kind == PlaceKind.TRAY else f"bin:{line.taken_from.code}",
            keyed=from_nm(line.thickness_nm).keyed,
            known_by=_known_by(line.condition),
            hold_line=line,
        )


def _one_by_one(holds: Sequence[Hold]) -> list[HoldLine]:
    return [line for hold in holds for line in hold.lines.all() for _ in range(line.quantity)]


def _own(valve: JobValve) -> Shim:
    return Shim(
        thickness_nm=valve.known_nm,
        condition=valve.shim_condition,
        source=f"valve:{valve.label}",
        keyed=valve.shim_keyed,
        known_by=valve.shim_known_by,
    )


def _loose(place: Place, source: str, length: Length, condition: str) -> Shim:
    return Shim(
        thickness_nm=length.nm,
        condition=condition,
        source=source,
        keyed=length.keyed,
        known_by=_known_by(condition),
        place=place,
    )


def _is(line: HoldLine, length: Length, condition: str) -> bool:
    return (line.thickness_nm, line.condition) == (length.nm, condition)


def _known_by(condition: str) -> str:
    """A used shim in the books was measured; a new one counts at its marking."""
    return JobValve.KnownBy.MEASURED if condition == Condition.USED else JobValve.KnownBy.MARKED


def _words(condition: str) -> str:
    return str(Condition(condition).label).lower() if condition in Condition.values else condition

"""The stock of one site as plain dictionaries: what the ledger must be equal to, act by act.

Written from the rules, without the database and without the services. Each act changes the model or raises
Refused with the code that the service must answer, and then changes nothing.
"""

from collections import Counter
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import datetime

OUTSIDE = frozenset({"supplier", "engines", "scrap", "difference"})
Shim = tuple[str, int, str]  # place, thickness in nm, condition


class Refused(Exception):
    def __init__(self, code):
        super().__init__(code)
        self.code = code


@dataclass
class HeldLine:
    place: str
    nm: int
    condition: str
    quantity: int
    taken_from: str
    fitted: int = 0

    @property
    def shim(self):
        return (self.place, self.nm, self.condition)


@dataclass
class ModelHold:
    lines: list[HeldLine]
    expires: datetime | None
    of_job: bool
    state: str = "held"
    out: bool = False


@dataclass
class Entry:
    """One movement: its lines, whether it was reversed, the hold that it handed out."""

    lines: list[tuple[str, int, str, int]]
    reversed: bool = False
    handed_out: int | None = None


@dataclass
class Stock:
    """`now` is set by whoever drives the model; every act happens then."""

    now: datetime
    on_hand: Counter = field(default_factory=Counter)
    held: Counter = field(default_factory=Counter)
    holds: list[ModelHold] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)

    def balances(self):
        """{(place, nm, condition): (on hand, held)} of everything that is not (0, 0)."""
        found = {shim: (self.on_hand[shim], self.held[shim]) for shim in {*self.on_hand, *self.held}}
        return {shim: counts for shim, counts in found.items() if counts != (0, 0)}

    def available(self, shim):
        return self.on_hand[shim] - self.held[shim]

    def try_act(self, act, *args):
        """The act's result, with all of its effects, or its Refused, with none."""
        kept = deepcopy((self.on_hand, self.held, self.holds, self.entries))
        try:
            return getattr(self, act)(*args)
        except Refused:
            self.on_hand, self.held, self.holds, self.entries = kept
            raise

    # --- into, between and out of places

    def receive(self, place, nm, condition, quantity):
        self._transfer("supplier", place, nm, condition, quantity)

    def count_in(self, place, nm, condition, quantity):
        self._transfer("difference", place, nm, condition, quantity)

    def put_away(self, place, nm, condition, quantity):
        self._transfer("receiving", place, nm, condition, quantity)

    def return_to_bin(self, place, nm, condition, quantity):
        if quantity < 1:
            raise Refused("invalid")
        if condition == "unmeasured":
            raise Refused("wrong-state")
        self._transfer("inspection", place, nm, condition, quantity)

    def move(self, source, target, nm, condition, quantity):
        if quantity < 1 or source == target:
            raise Refused("invalid")
        self.sweep()
        self._transfer(source, target, nm, condition, quantity)

    def scrap(self, source, nm, condition, quantity):
        if quantity < 1:
            raise Refused("invalid")
        self.sweep()
        self._transfer(source, "scrap", nm, condition, quantity)

    def measure(self, nm, condition, measured):
        if condition == "new":
            raise Refused("invalid")
        if (nm, condition) != (measured, "used"):
            self._post([("inspection", nm, condition, -1), ("inspection", measured, "used", 1)])
        elif not self.available(("inspection", nm, "used")):
            raise Refused("not-enough")

    def reverse(self, index):
        entry = self.entries[index]
        self.sweep()
        if entry.reversed:
            raise Refused("already-reversed")
        if entry.handed_out is not None and self.holds[entry.handed_out].state == "held":
            raise Refused("wrong-state")
        self._post([(place, nm, condition, -quantity) for place, nm, condition, quantity in entry.lines])
        entry.reversed = True

    # --- holds

    def hold(self, wanted, expires, of_job):
        """`wanted`: (place, nm, condition, quantity) per line."""
        if not wanted or any(q < 1 or c == "unmeasured" for _, _, c, q in wanted):
            raise Refused("invalid")
        self.sweep()
        total = Counter()
        for place, nm, condition, quantity in wanted:
            total[place, nm, condition] += quantity
        if any(self.available(shim) < quantity for shim, quantity in total.items()):
            raise Refused("not-enough")
        self.held.update(total)
        lines = [HeldLine(*line, taken_from=line[0]) for line in wanted]
        self.holds.append(ModelHold(lines=lines, expires=expires, of_job=of_job))

    def extend(self, index, expires):
        hold = self._open(index)
        if hold.out:
            raise Refused("wrong-state")
        hold.expires = expires

    def release(self, index):
        self._free(self._open(index), "released")

    def hand_out(self, index):
        hold = self._open(index)
        if hold.out:
            raise Refused("wrong-state")
        moves = []
        for line in hold.lines:
            self.held[line.shim] -= line.quantity
            moves += _both(line.place, "T1", line.nm, line.condition, line.quantity)
        self._post(moves, handed_out=index)
        for line in hold.lines:
            line.place = "T1"
            self.held[line.shim] += line.quantity
        hold.out, hold.expires = True, None

    def hand_back(self, index):
        hold = self._open(index)
        if not hold.out:
            raise Refused("wrong-state")
        self._free(hold, "released")
        self._post(
            [
                move
                for line in hold.lines
                for move in _both(line.place, line.taken_from, line.nm, line.condition, line.quantity)
            ]
        )

    def sweep(self):
        """Expire what is overdue; how many."""
        due = [h for h in self.holds if h.state == "held" and h.expires is not None and h.expires <= self.now]
        for hold in due:
            self._free(hold, "expired")
        return len(due)

    # --- fitting

    def fit_outside(self, index, counts):
        hold = self._open(index)
        if hold.of_job:
            raise Refused("wrong-state")
        if any(not 0 <= n <= hold.lines[at].quantity for at, n in counts.items()) or not any(counts.values()):
            raise Refused("unprocessable")
        self._free(hold, "fitted")
        moves = []
        for at, number in counts.items():
            line = hold.lines[at]
            line.fitted = number
            if number:
                moves += _both(line.place, "engines", line.nm, line.condition, number)
        self._post(moves)

    def fit_job(self, index, pulled, from_hold, spare):
        """`from_hold`: line numbers, one for each shim; `spare`: shims taken from where nobody held them."""
        if not from_hold and not spare:
            raise Refused("unprocessable")
        hold = self._open(index)
        self.sweep()
        counts = Counter(from_hold)
        if any(number > hold.lines[at].quantity for at, number in counts.items()):
            raise Refused("unprocessable")
        sources = [hold.lines[at].shim for at in from_hold]
        if pulled:
            self._post([m for nm, condition in pulled for m in _both("engines", "T1", nm, condition, 1)])
        self._free(hold, "fitted" if counts else "released")
        for at, number in counts.items():
            hold.lines[at].fitted = number
        self._post([m for place, nm, c in [*sources, *spare] for m in _both(place, "engines", nm, c, 1)])

    def recover(self):
        moves = []
        for (place, nm, condition), quantity in sorted(self.on_hand.items()):
            if place == "T1" and quantity:
                target = "receiving" if condition == "new" else "inspection"
                moves += _both("T1", target, nm, condition, quantity)
        if moves:
            self._post(moves)
        return bool(moves)

    # --- below

    def _open(self, index):
        hold = self.holds[index]
        overdue = hold.state == "held" and hold.expires is not None and hold.expires <= self.now
        if hold.state == "expired" or overdue:
            raise Refused("hold-expired")
        if hold.state != "held":
            raise Refused("wrong-state")
        return hold

    def _free(self, hold, state):
        for line in hold.lines:
            self.held[line.shim] -= line.quantity
        hold.state = state

    def _transfer(self, source, target, nm, condition, quantity):
        if quantity < 1:
            raise Refused("invalid")
        self._post(_both(source, target, nm, condition, quantity))

    def _post(self, lines, *, handed_out=None):
        net = Counter()
        for place, nm, condition, quantity in lines:
            net[place, nm, condition] += quantity
        for shim, quantity in net.items():
            if quantity < 0 and shim[0] not in OUTSIDE and self.available(shim) < -quantity:
                raise Refused("not-enough")
        self.on_hand.update(net)
        self.entries.append(Entry(lines=lines, handed_out=handed_out))


def _both(source, target, nm, condition, quantity):
    return [(source, nm, condition, -quantity), (target, nm, condition, quantity)]

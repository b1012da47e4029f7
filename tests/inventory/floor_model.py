"""The plain dictionaries of stock_model.py with transfers, counts, regrading, merges and take-overs."""

from collections import Counter
from copy import deepcopy
from dataclasses import dataclass, field

from tests.inventory.stock_model import HeldLine, ModelHold, Refused, Stock, _both


@dataclass
class ModelTransfer:
    """One lot on its way; `arrivals` are the entries by which some of it arrived, came back or was lost."""

    taken_from: str
    nm: int
    condition: str
    left: int
    arrivals: list[int] = field(default_factory=list)

    @property
    def closed(self):
        return not self.left


@dataclass
class FloorStock(Stock):
    transfers: list[ModelTransfer] = field(default_factory=list)
    of_transfer: set[int] = field(default_factory=set)

    def try_act(self, act, *args):
        kept = deepcopy((self.transfers, self.of_transfer))
        try:
            return super().try_act(act, *args)
        except Refused:
            self.transfers, self.of_transfer = kept
            raise

    def reverse(self, index):
        if index in self.of_transfer:
            raise Refused("wrong-state")
        super().reverse(index)

    def inspect(self, nm, condition, readings):
        if condition == "new":
            raise Refused("invalid")
        if len(set(readings)) > 1:
            raise Refused("readings-disagree")
        if readings:
            self.measure(nm, condition, readings[0])
        elif not self.available(("inspection", nm, condition)):
            raise Refused("not-enough")

    # --- between sites: what arrives lies in H1, the other site's one bin

    def send(self, place, nm, condition, quantity):
        if quantity < 1:
            raise Refused("invalid")
        self.sweep()
        self._carry(place, "transit", nm, condition, quantity)
        self.transfers.append(ModelTransfer(place, nm, condition, quantity))

    def arrive(self, index, quantity):
        transfer = self._in_transit(index)
        if not 1 <= quantity <= transfer.left:
            raise Refused("invalid")
        transfer.arrivals.append(self._carry("transit", "H1", transfer.nm, transfer.condition, quantity))
        transfer.left -= quantity

    def recall(self, index):
        transfer = self._in_transit(index)
        to = transfer.taken_from
        transfer.arrivals.append(self._carry("transit", to, transfer.nm, transfer.condition, transfer.left))
        transfer.left = 0

    def write_off(self, index):
        transfer = self._in_transit(index)
        lost = self._carry("transit", "difference", transfer.nm, transfer.condition, transfer.left)
        transfer.arrivals.append(lost)
        transfer.left = 0

    def take_back(self, index):
        """The last arrival of the transfer, that it came back or was written off as well."""
        transfer = self.transfers[index]
        if not transfer.arrivals:
            raise Refused("not-found")
        entry = self.entries[transfer.arrivals[-1]]
        if entry.reversed:
            raise Refused("already-reversed")
        place, *_, quantity = entry.lines[1]
        if place != "H1":
            self.sweep()
        self._carry(place, "transit", transfer.nm, transfer.condition, quantity)
        entry.reversed = True
        transfer.left += quantity

    # --- what shims really are, and how many

    def regrade(self, place, nm, condition, quantity, measured):
        if quantity < 1:
            raise Refused("invalid")
        if condition == "unmeasured":
            raise Refused("wrong-state")
        if (nm, condition) == (measured, "used"):
            raise Refused("invalid")
        self.sweep()
        self._post([(place, nm, condition, -quantity), (place, measured, "used", quantity)])

    def give_back(self, place, nm, condition, quantity):
        if quantity < 1 or condition != "new":
            raise Refused("invalid")
        self.sweep()
        self._post(_both(place, "supplier", nm, condition, quantity))

    def count(self, place, nm, condition, difference):
        """Two persons find so many more of a lot than the books have; posted."""
        if not difference:
            return
        self.sweep()
        if self.available((place, nm, condition)) < -difference:
            raise Refused("held-shims")
        self._post([(place, nm, condition, difference), ("difference", nm, condition, -difference)])

    # --- bins and holds

    def merge(self, source, target):
        if source == target:
            raise Refused("invalid")
        self.sweep()
        moves = []
        for (place, nm, condition), quantity in sorted(self.on_hand.items()):
            if place == source and quantity:
                moves += _both(source, target, nm, condition, quantity)
        promised: Counter = Counter()
        for hold in self.holds:
            for line in hold.lines:
                if hold.state == "held" and line.place == source:
                    promised[line.nm, line.condition] += line.quantity
                    line.place = target
                if hold.state == "held" and line.taken_from == source:
                    line.taken_from = target
        for (nm, condition), quantity in promised.items():
            self.held[source, nm, condition] -= quantity
        if moves:
            self._post(moves)
        for (nm, condition), quantity in promised.items():
            self.held[target, nm, condition] += quantity

    def take_over(self, index, positions, expires):
        hold = self._open(index)
        if hold.out:
            raise Refused("wrong-state")
        if not positions:
            raise Refused("invalid")
        hold.state = "released"
        lines = [HeldLine(*line.shim, line.quantity, line.place) for line in hold.lines]
        self.holds.append(ModelHold(lines=[lines[at] for at in positions], expires=expires, of_job=False))
        rest = [line for at, line in enumerate(lines) if at not in positions]
        if rest:
            self.holds.append(ModelHold(lines=rest, expires=hold.expires, of_job=hold.of_job))
        return bool(rest)

    def _in_transit(self, index):
        transfer = self.transfers[index]
        if transfer.closed:
            raise Refused("wrong-state")
        return transfer

    def _carry(self, source, target, nm, condition, quantity):
        self._post(_both(source, target, nm, condition, quantity))
        self.of_transfer.add(len(self.entries) - 1)
        return len(self.entries) - 1

"""The choice of what to buy where: asked for, made in the background, written down as drafts."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from inventory.compute.money import rounded
from inventory.compute.purchase import (
    Choice,
    Explained,
    Given,
    NotSolvedError,
    Offered,
    Order,
    choose,
    explain,
)
from inventory.compute.purchase.pricing import goods
from inventory.models import Need, PurchaseChoice, PurchaseLine, PurchaseList
from inventory.selectors.on_offer import Asked, asked
from inventory.services.list_events import note
from inventory.services.purchasing import next_number
from inventory.services.texts import counted
from shop.actor import Actor
from shop.background.context import TaskContext
from shop.background.queue import queue_task
from shop.db import write_transaction
from shop.models import Site
from shop.roles import Action

CHOOSE = "choose_purchases"
TIME_LIMIT_S = 30.0
GAP = 0.001
"""A choice that is proven to lie within a thousandth of the best is good enough to stop at."""
DraftKey = tuple[uuid.UUID, int]


@write_transaction
def ask_for_choice(*, site: Site, actor: Actor, at: datetime) -> PurchaseChoice:
    """Have it worked out in the background what to buy where; drafts stand there when it is done."""
    actor.must(Action.PURCHASE, site)
    choice = PurchaseChoice.objects.create(site=site, asked_at=at, asked_by=actor.label)
    choice.task = queue_task(CHOOSE, {"choice": str(choice.pk)}, at=at, site=site, created_by=actor.user)
    choice.save(update_fields=["task"])
    return choice


def make_choice(task: TaskContext, choice: PurchaseChoice) -> dict[str, int]:
    """Work the choice out and write its drafts, all of them or none; safe to run again from the start.

    What somebody changes in a draft meanwhile is not overwritten: the choice then says so and writes nothing.
    """
    at = task.now()
    before = _drafts(choice.site)
    question = asked(choice.site, at)
    task.heartbeat(10, f"{len(question.needs)} needs, {len(question.problem.offers)} offers")
    try:
        answer = choose(question.problem, TIME_LIMIT_S, GAP)
    except NotSolvedError as error:
        return _say(task, choice, at, f"No choice was found: {error}.")
    said = explain(question.problem, answer, question.names, question.jobs)
    written = {"lists": len(answer.orders), "unmet": len(answer.unmet)}
    with task.commit(written):
        # Whoever makes a list locks the site first, so that two choices come one after the other.
        number = next_number(choice.site)
        if _drafts(choice.site) != before:
            choice.message = "Somebody changed a draft meanwhile; nothing was written. Choose again."
        else:
            _write(choice, question, answer, said, number, at)
            choice.result = _result(question, answer, said)
        choice.made_at = at
        choice.save(update_fields=["message", "result", "made_at"])
    return written


def _say(task: TaskContext, choice: PurchaseChoice, at: datetime, message: str) -> dict[str, int]:
    with task.commit({"lists": 0}):
        choice.message, choice.made_at = message[:400], at
        choice.save(update_fields=["message", "made_at"])
    return {"lists": 0}


def _drafts(site: Site) -> set[DraftKey]:
    rows = PurchaseList.objects.filter(site=site, state=PurchaseList.State.DRAFT)
    return set(rows.values_list("pk", "version"))


@dataclass(frozen=True, slots=True)
class _Line:
    """A line before and after it has a key in the database."""

    row: PurchaseLine
    offer: Offered


def _write(
    choice: PurchaseChoice, question: Asked, answer: Choice, said: Explained, number: int, at: datetime
) -> None:
    drafts = {
        draft.supplier.code: draft
        for draft in PurchaseList.objects.select_for_update(of=("self",))
        .filter(site=choice.site, state=PurchaseList.State.DRAFT)
        .select_related("supplier")
    }
    standing = {
        str(need.pk): need
        for need in Need.objects.select_for_update()
        .filter(pk__in=[need.pk for need in question.needs.values()], state=Need.State.OPEN)
        .order_by("pk")
    }
    old = PurchaseLine.objects.filter(purchase_list__in=list(drafts.values()))
    Need.objects.filter(line__in=old).update(line=None)
    old.delete()
    offers = {offer.key: offer for offer in question.problem.offers}
    currencies = {terms.key: terms.currency for terms in question.problem.suppliers}
    lines: list[_Line] = []
    for order in answer.orders:
        draft = drafts.pop(order.supplier, None)
        if draft is None:
            draft = PurchaseList.objects.create(
                site=choice.site,
                number=number,
                supplier=question.suppliers[order.supplier],
                state=PurchaseList.State.DRAFT,
                created_at=at,
                created_by=choice.asked_by,
            )
            number += 1
        lines += _lines(draft, order, choice, question, offers, said, currencies[order.supplier])
        note(draft, "choose", by=choice.asked_by, at=at, text=f"Chosen: {counted(len(order.lines), 'line')}.")
    for draft in drafts.values():
        draft.state, draft.closed_at = PurchaseList.State.CANCELLED, at
        draft.version += 1
        draft.save(update_fields=["state", "closed_at", "version"])
        note(draft, "cancel", by=choice.asked_by, at=at, text="Nothing is best bought here any more.")
    PurchaseLine.objects.bulk_create(line.row for line in lines)
    _assign(answer.given, lines, standing)


def _lines(
    draft: PurchaseList,
    order: Order,
    choice: PurchaseChoice,
    question: Asked,
    offers: Mapping[str, Offered],
    said: Explained,
    currency: str,
) -> list[_Line]:
    draft.choice, draft.currency = choice, currency
    draft.delivery = rounded(order.delivery, currency)
    draft.expected_at = max(offers[line.offer].arrives for line in order.lines)
    draft.version += 1
    draft.save(update_fields=["choice", "currency", "delivery", "expected_at", "version"])
    found = []
    for line in order.lines:
        offer = offers[line.offer]
        found.append(
            _Line(
                PurchaseLine(
                    purchase_list=draft,
                    family=question.families[offer.size.family],
                    thickness_nm=offer.size.nm,
                    quantity=line.pieces,
                    pack=offer.pack,
                    part_number=question.parts[line.offer],
                    price=pack_price(offer, line.packs),
                    amount=rounded(line.goods, currency),
                    currency=currency,
                    locked=line.locked,
                    why=said.lines[line.offer][:400],
                ),
                offer,
            )
        )
    return found


def pack_price(offer: Offered, packs: int) -> Decimal:
    """What one of so many packs costs; with breaks that price only what lies above them, on average."""
    return round(goods(offer, packs) / packs, 4)


def _assign(given: Sequence[Given], lines: Sequence[_Line], standing: Mapping[str, Need]) -> None:
    """Say on each need, if it still stands, which line brings its shim."""
    room: dict[tuple[object, ...], list[list[Any]]] = defaultdict(list)
    for line in lines:
        offer = line.offer
        room[offer.supplier, offer.size, offer.arrives].append([line.row, line.row.quantity])
    changed = []
    for each in given:
        need = standing.get(each.need)
        shelf = room[each.supplier, each.size, each.arrives]
        while shelf and not shelf[0][1]:
            shelf.pop(0)
        if need is not None and shelf:
            shelf[0][1] -= 1
            need.line = shelf[0][0]
            changed.append(need)
    Need.objects.bulk_update(changed, ["line"], batch_size=500)


def _result(question: Asked, answer: Choice, said: Explained) -> dict[str, Any]:
    """What pages and programs are told of a choice; amounts in the shop's currency."""
    code = question.problem.currency
    figures = answer.figures
    parts = ("goods", "delivery", "lateness", "other_size", "credit", "total")
    return {
        "currency": code,
        **{name: str(rounded(getattr(figures, name), code)) for name in parts},
        "alone": str(rounded(said.alone, code)),
        "saves": str(rounded(said.saves, code)),
        "proven": answer.proven,
        "gap": f"{float(answer.gap):.6f}",
        "proof": said.proof,
        "waits": list(said.waits),
        "unmet": [
            {
                "need": key,
                "family": question.needs[key].family.code,
                "reason": words,
                **_for(question.needs[key]),
            }
            for key, words in said.unmet.items()
        ],
        "left_over": [
            {"family": size.family, "nm": size.nm, "quantity": count}
            for size, count in answer.left_over.items()
        ],
    }


def _for(need: Need) -> dict[str, Any]:
    return {
        "nm": need.thickness_nm,
        "for": " ".join(filter(None, [need.job_label, need.valve_label, need.note])),
    }

"""POST /api/v1/plans: the best plan for one engine, from what it is given and from stock as it is.

Stateless: nothing is written, nothing is held. The same request over the same stock gives the same bytes.
"""

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from api.checking import Errors
from api.kinds import computes
from api.plan_body import REFUSED, PlanBody, read_plan_body
from api.plan_shapes import EXAMPLE, PlanRequestSerializer, PlanSerializer
from api.views import ApiView, Call
from inventory.compute.lengths import Length, LengthError, from_nm, parse_text
from inventory.compute.sizes import FamilyRange, check_used_shim
from inventory.models import ShimFamily
from inventory.selectors.stock import available_lots
from jobs.compute.planner import Choice, Lot, Plan, Problem, Uncertainty, plan_engine
from shop.actor import Actor
from shop.conf import conf
from shop.models import Site
from shop.roles import Action


class Plans(ApiView):
    answer = PlanSerializer

    @computes(
        Action.PLAN,
        "plan",
        "The best plan for one engine. Stateless: nothing is held, no Idempotency-Key is needed.",
        body=PlanRequestSerializer,
        example=EXAMPLE,
    )
    def post(self, call: Call) -> dict[str, Any]:
        body = read_plan_body(call.body)
        supply = _supply(body, call.actor, call.at)
        problem = Problem(
            valves=body.valves,
            lots=supply.lots,
            catalogue_nm=supply.catalogue_nm,
            lash_ratio=body.lash_ratio,
            uncertainty=_uncertainty(conf.micrometer_uncertainty, conf.unworn_uncertainty),
        )
        return _render(body, supply, plan_engine(problem))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Supply:
    """What there is to fit. `bins`: the bin of each lot where the lots are a site's, else empty."""

    lots: tuple[Lot, ...]
    bins: tuple[str, ...]
    catalogue_nm: tuple[int, ...]


def _supply(body: PlanBody, actor: Actor, at: datetime) -> _Supply:
    errors = Errors()
    family = ShimFamily.objects.filter(code=body.family).first() if body.family is not None else None
    if body.family is not None and family is None:
        errors.add("/family", f"there is no shim family {body.family}")
    site = _site(body.site, actor) if body.site is not None else None
    if body.site is not None and site is None:
        errors.add("/site", f"there is no site {body.site} for this key or log-in")
    if family is not None:
        _check_shims(body, family.range, errors)
    errors.raise_if_any(REFUSED)
    lots, bins = _lots(body, site, family, at)
    if body.catalogue is not None:
        catalogue: tuple[int, ...] = tuple(size.nm for size in body.catalogue)
    else:
        catalogue = family.sizes_nm() if family is not None else ()
    return _Supply(lots=lots, bins=bins, catalogue_nm=catalogue)


def _site(code: str, actor: Actor) -> Site | None:
    site = Site.objects.filter(code=code, id__in=list(actor.roles)).first()
    if site is not None:
        actor.must(Action.PLAN, site)
    return site


def _lots(
    body: PlanBody, site: Site | None, family: ShimFamily | None, at: datetime
) -> tuple[tuple[Lot, ...], tuple[str, ...]]:
    if body.stock is not None:
        keyed = [
            Lot(thickness_nm=lot.thickness.nm, condition=lot.condition, quantity=lot.quantity)  # type: ignore[arg-type]
            for lot in body.stock
        ]
        return tuple(keyed), ()
    if site is None or family is None:
        return (), ()
    found = available_lots(site, family, at=at)
    lots = [
        Lot(thickness_nm=row.thickness_nm, condition=row.condition, quantity=row.on_hand - row.held)
        for row in found
    ]
    return tuple(lots), tuple(row.place.code for row in found)


def _check_shims(body: PlanBody, made: FamilyRange, errors: Errors) -> None:
    """Used shims, and own ones under a micrometer, may lie up to 0.1 mm outside the range; others not."""
    for index, lot in enumerate(body.stock or ()):
        where = f"/stock/{index}/thickness"
        _check_shim(lot.thickness, made, where, errors, worn=lot.condition == "used")
    for index, (valve, shim) in enumerate(zip(body.valves, body.shims, strict=True)):
        if shim is not None and valve.shim is not None:
            where = f"/valves/{index}/shim/thickness"
            _check_shim(shim, made, where, errors, worn=valve.shim.known_by == "measured")


def _check_shim(shim: Length, made: FamilyRange, where: str, errors: Errors, *, worn: bool) -> None:
    if made.min_nm <= shim.nm <= made.max_nm:
        return
    try:
        check_used_shim(made, shim, "shim")
    except LengthError as error:
        errors.add(where, error.message)
        return
    if not worn:
        errors.add(where, f"{shim} lies outside its family, which is made from {made}")


@lru_cache(maxsize=8)
def _uncertainty(micrometer: str, unworn: str) -> Uncertainty:
    return Uncertainty(micrometer_nm=parse_text(micrometer).nm, unworn_nm=parse_text(unworn).nm)


def _render(body: PlanBody, supply: _Supply, plan: Plan) -> dict[str, Any]:
    own = {valve.label: shim for valve, shim in zip(body.valves, body.shims, strict=True)}
    made = {size.nm: size for size in reversed(body.catalogue or ())}
    return {
        "score": plan.score._asdict(),
        "valves": [
            {
                "label": choice.label,
                "verdict": choice.verdict,
                "action": choice.action,
                "shim": _shim(choice, body, supply, own, made),
                "clearance_after": _clearance_after(choice),
                "guaranteed": choice.guaranteed,
                "why": choice.why,
            }
            for choice in plan.choices
        ],
        "left_over": [
            {"thickness": _as_keyed(own[left.label], left.thickness_nm), "from": left.label}
            for left in plan.left_over
        ],
        "to_buy": [
            {
                "thickness": _as_keyed(made.get(size.thickness_nm), size.thickness_nm),
                "quantity": size.quantity,
            }
            for size in plan.to_buy
        ],
        "to_measure": list(plan.to_measure),
    }


def _shim(
    choice: Choice,
    body: PlanBody,
    supply: _Supply,
    own: dict[str, Length | None],
    made: dict[int, Length],
) -> dict[str, Any] | None:
    """The shim that the valve ends with. A thickness that was keyed is given back as it was keyed."""
    if choice.thickness_nm is None:
        return None
    keyed: Length | None
    source: dict[str, Any] | None
    if choice.from_valve is not None:
        keyed, source = own[choice.from_valve], {"valve": choice.from_valve}
    elif choice.from_lot is not None and body.stock is not None:
        keyed, source = body.stock[choice.from_lot].thickness, {"stock": choice.from_lot}
    elif choice.from_lot is not None:
        keyed, source = None, {"bin": supply.bins[choice.from_lot]}
    elif choice.action == "buy":
        keyed, source = made.get(choice.thickness_nm), {"catalogue": True}
    else:
        keyed, source = own[choice.label], None
    shim: dict[str, Any] = {"thickness": _as_keyed(keyed, choice.thickness_nm)}
    if choice.condition is not None:
        shim["condition"] = choice.condition
    shim["from"] = source
    return shim


def _clearance_after(choice: Choice) -> dict[str, Any] | None:
    if choice.low_nm is None or choice.called_nm is None or choice.high_nm is None:
        return None
    return {
        "low": from_nm(choice.low_nm).as_json(),
        "called": from_nm(choice.called_nm).as_json(),
        "high": from_nm(choice.high_nm).as_json(),
    }


def _as_keyed(keyed: Length | None, nm: int) -> dict[str, str]:
    return (keyed or from_nm(nm)).as_json()

"""The shop's first day: sites, people, catalogue, drawers and what lies in them."""

from datetime import datetime
from decimal import Decimal

from django.contrib.auth.hashers import make_password
from django.contrib.auth.password_validation import validate_password

from inventory.compute.lengths import Unit, parse
from inventory.compute.sizes import nearest_size
from inventory.models import Condition, ShimFamily
from inventory.selectors.places import bin_for
from inventory.services.catalogue import add_bin, add_family, add_offer, add_supplier, add_tray
from inventory.services.floor import Shims, count_in, receive_shims
from inventory.services.sites import open_site
from inventory.services.terms import PartRow, Terms, set_part_prices, set_terms
from jobs.compute.layout import EngineLayout
from jobs.services.engines import Item, SideSpec, add_engine_type
from shop.actor import Actor, actor_for_user
from shop.demo.engines import ENGINES
from shop.demo.families import FAMILIES, FamilyFacts
from shop.demo.people import PASSWORDS, PEOPLE
from shop.demo.premises import CURRENCY, SITES, SUPPLIERS, SupplierFacts
from shop.demo.world import Workshop, World
from shop.models import Bay, Membership, Site, User

# A drawer for every tenth of a millimetre around the thickness that the family's engines left the works with.
DRAWER_NM = 100_000
DRAWERS = 7
DRAWERS_IN_A_ROW = 4
# Sizes within so much of the middle are stocked new; beyond it a size is bought when it is needed.
STOCKED_NM = 350_000
LINES_AT_ONCE = 200


def found(world: World) -> None:
    """Open the sites and bring in the people, the catalogue and the first fill, each dated the first day."""
    for facts in SITES:
        site = open_site(code=facts.code, name=facts.name)
        bays = [Bay.objects.create(site=site, number=number) for number in range(1, facts.bays + 1)]
        world.workshops[facts.code] = Workshop(facts=facts, site=site, bays=bays)
    _hire(world)
    _catalogue(world)
    for workshop in world.workshops.values():
        _furnish(world, workshop, world.on(0, 7, 0))
        _fill(world, workshop, world.on(0, 7, 30))


def _hire(world: World) -> None:
    """The people with their roles. Hashing takes long on purpose: each role's password is hashed once."""
    hashed = {}
    for role, password in PASSWORDS.items():
        validate_password(password)
        hashed[role] = make_password(password)
    for facts in PEOPLE:
        user = User.objects.create(
            username=facts.username,
            display_name=facts.display_name,
            email=f"{facts.username}@brackwater.example",
            password=hashed[facts.role],
            date_joined=world.first_day,
        )
        for code in facts.sites:
            Membership.objects.create(user=user, site=world.workshops[code].site, role=facts.role)
        for code in facts.sites:
            world.workshops[code].actors.setdefault(facts.role, []).append(actor_for_user(user))


def _catalogue(world: World) -> None:
    manager = world.workshops[SITES[0].code].manager
    for facts in FAMILIES:
        world.families[facts.code] = _family(facts, manager)
    _suppliers(world, manager)
    _engine_types(world, manager)


def _suppliers(world: World, manager: Actor) -> None:
    for facts in SUPPLIERS:
        supplier = add_supplier(actor=manager, code=facts.code, name=facts.name, lead_days=facts.lead_days)
        world.suppliers[facts.code] = supplier
        for family, price in facts.prices.items():
            add_offer(
                actor=manager,
                supplier=supplier,
                family=world.families[family],
                price=price,
                currency=CURRENCY,
            )
        terms = Terms(
            currency=CURRENCY,
            minimum_value=facts.minimum_value,
            delivery_fee=facts.delivery_fee,
            free_from=facts.free_from,
            cut_off=facts.cut_off,
            email=f"orders@{facts.code}.example",
        )
        set_terms(actor=manager, supplier=supplier, terms=terms)
        set_part_prices(actor=manager, supplier=supplier, rows=_price_list(world, facts))


def _price_list(world: World, facts: SupplierFacts) -> list[PartRow]:
    """Every size singly, and in packs where the supplier has them."""
    return [
        PartRow(
            part_number=f"{code.upper()}-{nm // 1_000}" + (f"-P{pack}" if pack > 1 else ""),
            family=world.families[code],
            thickness_nm=nm,
            price=(price * pack * (facts.pack_share if pack > 1 else 1)).quantize(Decimal("0.01")),
            valid_from=world.on(0, 7, 0).date(),
            pack=pack,
        )
        for code, price in facts.prices.items()
        for nm in world.families[code].sizes_nm()
        for pack in sorted({1, facts.pack})
    ]


def _engine_types(world: World, manager: Actor) -> None:
    for facts in ENGINES:
        world.engine_types[facts.code] = add_engine_type(
            actor=manager,
            code=facts.code,
            name=facts.name,
            layout=EngineLayout(
                cylinders=facts.cylinders,
                banks=facts.banks,
                intake_per_cylinder=facts.valves[0],
                exhaust_per_cylinder=facts.valves[1],
            ),
            family=world.families[facts.family],
            intake=_side(facts.intake, facts.unit),
            exhaust=_side(facts.exhaust, facts.unit),
            spec_source=facts.spec_source,
            lash_ratio=facts.lash_ratio,
            items=[Item(quantity=quantity, name=name, note=note) for quantity, name, note in facts.items],
        )


def _family(facts: FamilyFacts, manager: Actor) -> ShimFamily:
    return add_family(
        actor=manager,
        code=facts.code,
        name=facts.name,
        form=facts.form,
        marking=facts.marking,
        diameter=parse(facts.diameter_mm, Unit.MM),
        thinnest=parse(facts.thinnest_mm, Unit.MM),
        thickest=parse(facts.thickest_mm, Unit.MM),
        step=parse(facts.step_mm, Unit.MM),
    )


def _side(figures: tuple[str, ...], unit: str) -> SideSpec:
    lengths = [parse(figure, unit) for figure in figures]
    return SideSpec(min=lengths[0], max=lengths[1], aim=lengths[2] if len(lengths) > 2 else None)


def middle_of(family: ShimFamily) -> int:
    """The size around which the family's engines gather."""
    return nearest_size(family.range, (family.min_nm + family.max_nm) // 2)


def stocked_sizes(family: ShimFamily) -> list[int]:
    """The sizes that the shop keeps new, thinnest first."""
    middle = middle_of(family)
    return [size for size in family.sizes_nm() if abs(size - middle) <= STOCKED_NM]


def _furnish(world: World, workshop: Workshop, at: datetime) -> None:
    for number in range(1, workshop.facts.trays + 1):
        add_tray(site=workshop.site, actor=workshop.manager, code=f"T{number:02d}")
    for letter, code in zip("ABCDEFGH", workshop.facts.stocks, strict=False):
        family = world.families[code]
        for index in range(DRAWERS):
            offset = (index - DRAWERS // 2) * DRAWER_NM
            add_bin(
                site=workshop.site,
                actor=workshop.manager,
                at=at,
                code=f"{letter}{index + 1:02d}",
                cabinet=letter,
                row=index // DRAWERS_IN_A_ROW + 1,
                column=index % DRAWERS_IN_A_ROW + 1,
                family=family,
                size_nm=nearest_size(family.range, middle_of(family) + offset),
            )


def _fill(world: World, workshop: Workshop, at: datetime) -> None:
    """The first delivery of new shims, and the used ones that lay in the drawers, measured and counted in."""
    rng = world.rng(f"first fill of {workshop.facts.code}")
    for code in workshop.facts.stocks:
        family = world.families[code]
        new, used = [], []
        for size in stocked_sizes(family):
            quantity = 2 + rng.randint(0, 2) - 2 * abs(size - middle_of(family)) // STOCKED_NM
            if quantity > 0:
                new.append(_drawer(workshop.site, family, size, Condition.NEW, quantity))
        for _ in range(rng.randint(10, 16)):
            size = middle_of(family) + round(rng.gauss(0, STOCKED_NM / 2)) // 1_000 * 1_000
            used.append(_drawer(workshop.site, family, size, Condition.USED, 1))
        receive_shims(site=workshop.site, actor=workshop.counter, at=at, shims=new, document="First delivery")
        count_in(
            site=workshop.site,
            actor=workshop.counter,
            at=at,
            shims=used,
            note="Opening count: used shims that were in the drawers, each measured",
        )


def _drawer(site: Site, family: ShimFamily, size: int, condition: str, quantity: int) -> Shims:
    return Shims(
        family=family,
        thickness_nm=size,
        condition=condition,
        quantity=quantity,
        place=bin_for(site, family, size),
    )

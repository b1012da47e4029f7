"""Which vehicles come to the invented shop, and when: most of them more than once."""

from dataclasses import dataclass
from random import Random

from shop.demo.premises import SiteFacts

_LETTERS = "BDFGHKLMNPRSTVWXZ"
_BODIES = {
    "ondrel-2": ("touring cycle", "trail cycle", "cycle with sidecar"),
    "vassik-3": ("town car", "small van", "hatchback"),
    "pellam-4": ("delivery van", "estate", "pick-up"),
    "pellam-4s": ("coupé", "sport saloon"),
    "torvane-5": ("estate", "camper", "saloon"),
    "quennick-6": ("saloon", "estate", "off-roader"),
    "olmarne-8": ("grand saloon", "off-roader", "convertible"),
    "olmarne-12": ("grand tourer", "limousine"),
}
_COLOURS = ("white", "grey", "black", "dark blue", "green", "red", "silver", "sand", "brown", "light blue")
_NOTES = (
    "",
    "",
    "",
    "",
    "",
    "second set of keys in the office",
    "company vehicle",
    "customer waits by the hour",
)

FIRST_VISIT_DAYS = (4, 430)
RETURN_AFTER_DAYS = (190, 400)
LAST_VISIT_DAY = 722


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleFacts:
    registration: str
    description: str
    engine: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """A vehicle comes on a day, counted from the shop's first; `number` counts the fleet's vehicles."""

    day: int
    number: int
    vehicle: VehicleFacts
    engine_km: int


def vehicle(rng: Random, number: int, engine: str) -> VehicleFacts:
    """An invented vehicle. `number` keeps its registration apart from all others."""
    letters = "".join(rng.choices(_LETTERS, k=2))
    maker = engine.partition("-")[0].capitalize()
    return VehicleFacts(
        registration=f"{letters} {100 + number} {rng.choice(_LETTERS)}",
        description=f"{maker} {rng.choice(_BODIES[engine])}, {rng.choice(_COLOURS)}",
        engine=engine,
        note=rng.choice(_NOTES),
    )


def visits(rng: Random, site: SiteFacts, count: int, first_number: int) -> list[Visit]:
    """`count` visits in the order of time; a vehicle returns as long as there is time left for it."""
    found: list[Visit] = []
    number = first_number
    while len(found) < count:
        facts = vehicle(rng, number, site.engines[number % len(site.engines)])
        day, km = rng.randint(*FIRST_VISIT_DAYS), rng.randint(18, 140) * 1_000
        while day <= LAST_VISIT_DAY and len(found) < count:
            found.append(Visit(day=day, number=number, vehicle=facts, engine_km=km))
            gone = rng.randint(*RETURN_AFTER_DAYS)
            day, km = day + gone, km + gone * rng.randint(30, 70)
        number += 1
    return sorted(found, key=lambda visit: (visit.day, visit.number))

"""An engine that is in no list: family, spec and valves as they are keyed in with its job."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from inventory.models import ShimFamily
from jobs.compute.windows import default_aim
from jobs.models import Job, JobValve, Side
from jobs.services.engines import SideSpec, lash_faults, spec_faults
from jobs.services.refusals import pointer, text_faults
from shop.errors import FieldError

MOST_VALVES = 64
# What the sheets name their fields by, and what a swap is written down as: "valve:2-IN-L".
_label = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}").fullmatch


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyedValve:
    """One valve. `spec` is its own; None for that of its side."""

    label: str
    side: str
    spec: SideSpec | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyedEngine:
    """What an engine type would say. `spec_source` names where the spec stands, as for an engine type; a side
    may do without a spec where each of its valves has its own."""

    family: ShimFamily
    spec_source: str
    valves: Sequence[KeyedValve]
    intake: SideSpec | None = None
    exhaust: SideSpec | None = None
    lash_ratio: Decimal = Decimal(1)

    def spec_of(self, valve: KeyedValve) -> SideSpec | None:
        return valve.spec or (self.intake if valve.side == Side.INTAKE else self.exhaust)


def keyed_engine_faults(engine: KeyedEngine) -> list[FieldError]:
    """Everything that is wrong with it, pointing below /engine; [] for one that a job can be opened with."""
    errors = text_faults(Job, spec_source=engine.spec_source)
    if not engine.spec_source.strip():
        errors.append(
            FieldError("/spec_source", "say where the spec stands, such as the service manual's page")
        )
    errors += lash_faults(engine.lash_ratio)
    for side in ("intake", "exhaust"):
        spec: SideSpec | None = getattr(engine, side)
        errors += spec_faults(side, spec) if spec else []
    if not 1 <= len(engine.valves) <= MOST_VALVES:
        errors.append(FieldError("/valves", f"must be 1 to {MOST_VALVES}, not {len(engine.valves)}"))
    errors += _valve_faults(engine)
    return [FieldError(f"/engine{error.pointer}", error.detail) for error in errors]


def keyed_valves(job: Job, engine: KeyedEngine) -> Iterator[JobValve]:
    """The job's valves in the order in which they were keyed. The engine must have no faults."""
    for order, valve in enumerate(engine.valves):
        spec = engine.spec_of(valve)
        assert spec is not None
        yield JobValve(
            job=job,
            position=None,
            label=valve.label,
            side=valve.side,
            order=order,
            min_nm=spec.min.nm,
            min_keyed=spec.min.keyed,
            max_nm=spec.max.nm,
            max_keyed=spec.max.keyed,
            aim_nm=spec.aim.nm if spec.aim else default_aim(spec.min.nm, spec.max.nm),
            aim_keyed=spec.aim.keyed if spec.aim else "",
        )


def _valve_faults(engine: KeyedEngine) -> list[FieldError]:
    errors, seen = [], set()
    for index, valve in enumerate(engine.valves):
        where = pointer("valves", index, "label")
        if not _label(valve.label):
            words = "must be 1 to 40 letters, digits, hyphens, dots and underscores, such as 2-IN-L"
            errors.append(FieldError(where, words))
        elif valve.label in seen:
            errors.append(FieldError(where, f"{valve.label} is there twice; each valve has its own"))
        seen.add(valve.label)
        if valve.side not in Side.values:
            errors.append(FieldError(pointer("valves", index, "side"), "must be intake or exhaust"))
        elif valve.spec is not None:
            errors += [
                FieldError(pointer("valves", index) + error.pointer, error.detail)
                for error in spec_faults("spec", valve.spec)
            ]
        elif engine.spec_of(valve) is None:
            errors.append(
                FieldError(
                    pointer("valves", index, "spec"),
                    f"is needed: there is neither one of its own nor one of the {valve.side} side",
                )
            )
    return errors

"""The people of the invented shop. Their passwords are public: the demo serves on loopback only."""

from dataclasses import dataclass

from shop.models import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonFacts:
    username: str
    display_name: str
    role: Role
    sites: tuple[str, ...]


PASSWORDS = {
    Role.TECHNICIAN: "thin-leaf-passes",
    Role.COUNTER: "tray-for-bay-three",
    Role.MANAGER: "what-to-order-today",
}

PEOPLE = (
    PersonFacts(username="nela", display_name="Nela Orrin", role=Role.TECHNICIAN, sites=("quay",)),
    PersonFacts(username="pavo", display_name="Pavo Henn", role=Role.TECHNICIAN, sites=("quay",)),
    PersonFacts(username="suri", display_name="Suri Tamme", role=Role.TECHNICIAN, sites=("quay",)),
    PersonFacts(username="ilko", display_name="Ilko Basten", role=Role.TECHNICIAN, sites=("fell",)),
    PersonFacts(username="veda", display_name="Veda Rusk", role=Role.TECHNICIAN, sites=("fell",)),
    PersonFacts(username="juna", display_name="Juna Kelm", role=Role.COUNTER, sites=("quay",)),
    PersonFacts(username="rasmo", display_name="Rasmo Wick", role=Role.COUNTER, sites=("fell",)),
    PersonFacts(username="edda", display_name="Edda Marl", role=Role.MANAGER, sites=("quay", "fell")),
)

# The ones whose log-ins the demo prints, one of each role; all three meet at the first site.
SHOWN = ("nela", "juna", "edda")
# In whose name the demo's key acts: a manager of both sites.
KEY_HOLDER = "edda"

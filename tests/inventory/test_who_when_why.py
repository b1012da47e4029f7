"""L19: every movement that any act writes says who, when and why, and which request and job it belongs to."""

import pytest

from inventory.models import Movement, Reason
from shop.actor import Actor
from tests.faults.acts import ACTS, AT, JOB, LATER, Shop, found
from tests.people import person

pytestmark = pytest.mark.django_db
OF_A_JOB = {"hand_out_hold", "hand_back_hold", "fit_shims", "recover_shims"}


@pytest.mark.parametrize("name", sorted(ACTS))
def test_who_when_why(name):
    found()
    shop = Shop()
    ACTS[name].before(shop)
    before = Movement.objects.latest("seq").seq
    mara = person("mara", "Mara Quist", shop.site, "manager")
    roles = {shop.site.id: "manager"}
    key = Actor(user=mara, key_name="calculator", roles=roles, request_id="req-12345678")
    shop.by["actor"] = shop.here["actor"] = key
    ACTS[name].run(shop)
    written = list(Movement.objects.filter(seq__gt=before))
    assert {movement.actor for movement in written} <= {"calculator (key of Mara Quist)"}
    assert {movement.user for movement in written} <= {mara}
    assert {movement.request_id for movement in written} <= {"req-12345678"}
    assert {movement.at for movement in written} <= {AT, LATER}
    assert all(movement.reason in Reason.values and movement.uid for movement in written)
    if name in OF_A_JOB:
        assert {str(movement.job_id) for movement in written} == {JOB}

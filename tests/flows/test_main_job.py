"""One engine from cold readings to sign-off, with readings in thou and shims in millimetres."""

from inventory.models import Balance, Movement, PlaceKind
from jobs.models import Job
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.sign_off import sign_off_job
from tests.jobs.shop import AT, NEW, USED


def test_smoke(workshop, tech):
    workshop.stock(("2.550", NEW, 2), ("2.575", USED, 1))
    job = workshop.job()
    job = workshop.read(
        job,
        {"1-IN": "5 thou", "1-EX": "11 thou", "2-IN": "8 thou", "2-EX": "12 thou"},
        {"1-IN": "2.650 mm"},
    )
    job = workshop.held(job)
    assert job.state == Job.State.HELD
    job = hand_out_job(job=job, actor=tech, at=AT)
    job = fit_job(job=job, actor=tech, at=AT)
    job = workshop.read(job, {"1-IN": "8 thou"})
    job = sign_off_job(job=job, actor=tech, at=AT)
    assert job.state == Job.State.SIGNED_OFF
    print(
        [
            (m.reason, [(str(l.place), l.thickness_nm, l.condition, l.quantity) for l in m.lines.all()])
            for m in Movement.objects.all()
        ]
    )
    print([e.text for e in job.events.all()])

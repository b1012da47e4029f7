"""The demo command, started as a person starts it: what it prints, when it opens, how it ends."""

import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path

import httpx
import pytest

from shop.demo.people import PASSWORDS, PEOPLE, SHOWN
from tests.environment import MIGRATED_FILE, RUN_FOLDER
from tests.servers.children import free_port, wait_until
from tests.shop.demo_made import Made, books_are_clean, make_shop, query, start_to_build
from tests.shop.demo_process import MANAGE, ROOT, Demo, accepts, environment, is_running, manage

# The whole shop under --long; its past takes a minute to make and is more of the same.
PAST_JOBS = (15, 150)
SECOND_START_SECONDS = 10
STOP_SECONDS = 15

# The demo has a SQLite database of its own, whatever the tests run on: once is enough.
pytestmark = pytest.mark.sqlite


@pytest.fixture(scope="module")
def past_jobs(size) -> int:
    return size(*PAST_JOBS)


@pytest.fixture(scope="module")
def made(tmp_path_factory, migrated_dir, past_jobs) -> Made:
    folder = shutil.copytree(migrated_dir, tmp_path_factory.mktemp("built") / "data")
    return make_shop(Path(folder), past_jobs)


@pytest.fixture(scope="module")
def built_dir(made) -> Path:
    """Not to be changed."""
    return made.folder


@pytest.fixture
def data_dir(built_dir, tmp_path) -> Path:
    """A copy of it for one test."""
    return Path(shutil.copytree(built_dir, tmp_path / "data"))


@pytest.fixture
def demo(data_dir):
    """Started for one test, which may end it."""
    started = Demo(data_dir)
    yield started
    started.child.stop()


@pytest.fixture(scope="module")
def shared(built_dir, tmp_path_factory):
    """Started once for all tests that only ask it something."""
    folder = shutil.copytree(built_dir, tmp_path_factory.mktemp("shared") / "data")
    started = Demo(Path(folder))
    yield started
    started.child.stop()


@pytest.fixture(scope="module")
def migrated_dir(tmp_path_factory) -> Path:
    """A data folder with an empty shop in it, not to be changed: to migrate takes longer than to build."""
    folder = tmp_path_factory.mktemp("migrated")
    empty = folder / "demo.sqlite3"
    template = Path(os.environ.get(RUN_FOLDER, "none")) / MIGRATED_FILE
    if template.exists():
        shutil.copyfile(template, empty)
    else:
        assert manage(folder, "migrate", DATABASE_URL=f"sqlite:///{empty}").returncode == 0
    return folder


@pytest.fixture
def empty_dir(migrated_dir, tmp_path) -> Path:
    """A copy of it for one test."""
    return Path(shutil.copytree(migrated_dir, tmp_path / "data"))


class TestTheWholeShop:
    """What tests/flows/test_demo_world.py proves of a small one, by the figures that were asked for."""

    @pytest.mark.parametrize(
        ("what", "least", "most"),
        [
            ("shop_site", 2, 2),
            ("shop_bay", 6, 6),
            ("inventory_shimfamily", 5, 12),
            ("jobs_enginetype", 8, 8),
            ("inventory_place WHERE kind = 'bin'", 30, 200),
            ("inventory_supplier", 3, 3),
            ("jobs_job WHERE closed_at IS NULL", 6, 6),
        ],
    )
    def test_counts(self, built_dir, what, least, most):
        ((count,),) = query(built_dir, f"SELECT count(*) FROM {what}")
        assert least <= count <= most

    def test_jobs_of_the_past_and_six_of_today(self, built_dir, past_jobs):
        ((signed_off,),) = query(built_dir, "SELECT count(*) FROM jobs_job WHERE state = 'signed_off'")
        assert past_jobs * 14 / 15 <= signed_off <= past_jobs
        assert query(built_dir, "SELECT count(*) FROM jobs_job") == [(past_jobs + 6,)]

    def test_more_than_500_shims_new_and_used_are_in_the_bins(self, built_dir):
        in_bins = "SELECT sum(on_hand) FROM inventory_balance b JOIN inventory_place p ON p.id = b.place_id"
        ((new,),) = query(built_dir, f"{in_bins} WHERE p.kind = 'bin' AND condition = 'new'")
        ((used,),) = query(built_dir, f"{in_bins} WHERE p.kind = 'bin' AND condition = 'used'")
        assert new + used > 500
        assert min(new, used) > 100


class TestWhatItPrints:
    def test_address_log_ins_and_key(self, shared):
        assert shared.line("Address:") == f"{shared.address}/"
        assert re.fullmatch(r"[A-Za-z0-9._-]{20,}", shared.key)
        for username in SHOWN:
            role = next(person.role for person in PEOPLE if person.username == username)
            assert re.search(
                rf"^ +{role.label} +{username} +{PASSWORDS[role]}$", shared.printed, re.MULTILINE
            )

    def test_all_of_it_before_the_port_opens(self, data_dir):
        """Its output goes into a pipe that is full: whatever comes after the printing has to wait for us."""
        port = free_port()
        reading, writing = os.pipe()
        os.set_blocking(writing, False)
        filled = 0
        while True:
            try:
                filled += os.write(writing, b"." * 4096)
            except BlockingIOError:
                break
        os.set_blocking(writing, True)
        child = subprocess.Popen(
            [*MANAGE, "demo", "--port", str(port)],
            cwd=ROOT,
            env=environment(data_dir),
            stdout=writing,
            stderr=subprocess.DEVNULL,
        )
        os.close(writing)
        try:
            keys = "SELECT count(*) FROM api_apikey"
            wait_until(lambda: query(data_dir, keys) == [(1,)], seconds=30, what="the key was issued")
            time.sleep(1.5)
            assert not accepts(port)
            with os.fdopen(reading, "rb", buffering=0) as output:
                printed = output.read(filled)
                while b"API key: " not in printed:
                    printed = printed[-4096:] + output.read(4096)
                wait_until(lambda: accepts(port), seconds=10, what="the port opened")
        finally:
            child.terminate()
            child.wait(STOP_SECONDS)

    def test_nothing_else_at_each_request(self, shared):
        before = shared.printed
        shared.ask("/healthz")
        assert shared.printed == before


class TestItServes:
    def test_the_key_is_good_for_both_sites_and_at_least_6000_a_minute(self, shared):
        length = {"value": "0.006", "unit": "in"}, {"value": "0.010", "unit": "in"}
        valve = {
            "label": "1-IN",
            "spec": {"min": length[0], "max": length[1]},
            "clearance": {"passes": {"value": "4", "unit": "thou"}},
            "shim": {"thickness": {"value": "2.700", "unit": "mm"}, "known_by": "measured"},
        }
        for site in ("quay", "fell"):
            answer = httpx.post(
                f"{shared.address}/api/v1/plans",
                headers={"Authorization": f"Bearer {shared.key}"},
                json={"family": "over-27", "site": site, "valves": [valve]},
                timeout=10,
            )
            assert answer.status_code == 200, answer.text
            assert answer.json()["valves"][0]["action"] == "stock"
        ((limit, scopes),) = query(
            shared.data_dir, "SELECT requests_per_minute, scopes FROM api_apikey WHERE revoked_at IS NULL"
        )
        assert limit >= 6_000
        assert all(scope in scopes for scope in ("read", "plan", "hold", "jobs", "stock", "admin"))

    @pytest.mark.parametrize("username", SHOWN)
    def test_the_log_ins_log_in(self, shared, username):
        role = next(person.role for person in PEOPLE if person.username == username)
        with httpx.Client(base_url=shared.address, timeout=10, follow_redirects=True) as browser:
            page = browser.get("/")
            token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.text)
            answer = browser.post(
                page.url.path,
                data={
                    "csrfmiddlewaretoken": token[1],
                    "username": username,
                    "password": PASSWORDS[role],
                },
                headers={"Referer": str(page.url)},
            )
            assert answer.status_code == 200
            assert "sid" in browser.cookies
            assert 'name="password"' not in answer.text

    def test_static_files_without_collecting_them(self, shared):
        page = httpx.get(shared.address, follow_redirects=True, timeout=10)
        files = re.findall(r'(?:href|src)="(/static/[^"]+)"', page.text)
        assert files
        for file in files:
            assert shared.ask(file).status_code == 200, file

    def test_background_work_is_done(self, shared):
        """The periodic tasks are queued and worked without anybody's doing."""
        done = "SELECT count(*) FROM shop_task WHERE kind = 'expire_holds' AND state = 'done'"
        wait_until(
            lambda: query(shared.data_dir, done)[0][0] > 0, seconds=15, what="a task was worked", every=0.2
        )

    def test_only_on_loopback(self, shared):
        listening = [
            line.split()[1] for line in Path("/proc/net/tcp").read_text().splitlines()[1:] if " 0A " in line
        ]
        mine = [address for address in listening if address.endswith(f":{shared.port:04X}")]
        assert mine == [f"0100007F:{shared.port:04X}"]


class TestHowItEnds:
    def test_a_signal_stops_it_and_the_next_start_is_quick_and_has_a_key_of_its_own(self, data_dir):
        before = query(data_dir, "SELECT id FROM shop_site ORDER BY id")
        keys = []
        for number in (signal.SIGTERM, signal.SIGINT):
            started = Demo(data_dir)
            try:
                print(f"second start: answers after {started.seconds_to_answer:.1f} s")
                assert started.seconds_to_answer < SECOND_START_SECONDS
                assert "Building" not in started.printed
                keys.append(started.key)
                for key in keys:
                    answer = httpx.post(
                        f"{started.address}/api/v1/plans",
                        headers={"Authorization": f"Bearer {key}"},
                        json={"valves": []},
                        timeout=10,
                    )
                    assert (answer.status_code == 401) is (key != started.key), answer.text
                began = time.monotonic()
                started.child.signal(number)
                assert started.child.process.wait(STOP_SECONDS) == 0
                assert time.monotonic() - began < STOP_SECONDS
                assert not accepts(started.port)
            finally:
                started.child.stop()
        assert len(set(keys)) == 2
        assert query(data_dir, "SELECT id FROM shop_site ORDER BY id") == before

    def test_a_killed_worker_is_replaced_and_a_killed_demo_is_started_again_at_once(self, demo, data_dir):
        first = demo.worker()
        os.kill(first, signal.SIGKILL)
        wait_until(lambda: demo.worker() != first, seconds=10, what="a new worker", every=0.2)
        assert demo.ask("/healthz").status_code == 200
        worker = demo.worker()
        demo.child.kill()
        again = Demo(data_dir)
        try:
            assert not is_running(worker)
            assert again.seconds_to_answer < SECOND_START_SECONDS
        finally:
            again.child.stop()
        assert books_are_clean(data_dir)

    def test_interrupted_while_building_leaves_nothing_half_built(self, empty_dir):
        child = start_to_build(empty_dir)
        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=30)
        assert child.returncode == 130
        assert "nothing half-built is left" in said
        assert query(empty_dir, "SELECT count(*) FROM shop_site") == [(0,)]

    def test_killed_while_building_and_built_by_the_next_start(self, made):
        assert made.half_built == 0
        assert made.small_jobs == 6
        assert made.small_is_clean


class TestWhatItRefuses:
    def test_a_taken_port(self, data_dir):
        with socket.socket() as other:
            other.bind(("127.0.0.1", 0))
            other.listen()
            port = other.getsockname()[1]
            done = manage(data_dir, "demo", "--port", str(port))
        assert done.returncode == 1
        assert f"Port {port} is taken. Choose another: make demo PORT=" in done.stderr
        assert "API key" not in done.stdout

    def test_no_port_at_all(self, data_dir):
        done = manage(data_dir, "demo", "--port", "80800")
        assert done.returncode == 1
        assert "80800 is no port" in done.stderr

    def test_a_second_demo_on_the_same_data(self, shared):
        done = manage(shared.data_dir, "demo", "--port", str(free_port()))
        assert done.returncode == 1
        assert "runs on" in done.stderr
        # The first one's key is still good.
        assert shared.ask("/healthz", key=shared.key).status_code == 200
        unrevoked = "SELECT count(*) FROM api_apikey WHERE revoked_at IS NULL"
        assert query(shared.data_dir, unrevoked) == [(1,)]

    def test_production(self, data_dir):
        done = manage(data_dir, "demo", COLDGAP_ENV="production", COLDGAP_SECRET_KEY="x" * 60)
        assert done.returncode == 1
        assert "does not run with COLDGAP_ENV=production" in done.stderr

    def test_another_database_than_its_own(self, data_dir):
        done = manage(data_dir, "demo", DATABASE_URL="postgresql://shop@127.0.0.1:1/shop")
        assert done.returncode == 1
        assert "unset DATABASE_URL" in done.stderr

    @pytest.mark.parametrize("words", [["--build-only"], ["--build-only", "--reset"]])
    def test_another_shops_database(self, data_dir, words):
        with closing(sqlite3.connect(data_dir / "demo.sqlite3")) as database, database:
            database.execute("UPDATE shop_site SET code = 'mine' WHERE code = 'quay'")
        done = manage(data_dir, "demo", *words)
        assert done.returncode == 1
        assert "another shop" in done.stderr
        assert query(data_dir, "SELECT count(*) FROM shop_site") == [(2,)]


def test_reset_builds_anew(made, past_jobs):
    """By a start that finds no file at all, since it threw that away."""
    now = query(made.folder, "SELECT id FROM shop_site ORDER BY id")
    assert len(now) == len(made.small_sites) == 2
    assert now != made.small_sites
    assert query(made.folder, "SELECT count(*) FROM jobs_job") == [(past_jobs + 6,)]
    assert books_are_clean(made.folder)

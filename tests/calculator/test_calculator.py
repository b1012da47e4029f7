"""The reference calculators against a live server: by the API alone, and losing nothing to the network.

Their first valve gets a used 2.600 and not the new 2.575 that lies nearer to the aim: a used shim costs less.
"""

import contextlib
import json
import shutil
import subprocess
from pathlib import Path

import httpx
import pytest

from inventory.models import Hold
from tests.calculator.__main__ import main
from tests.calculator.retry import MOST_TRIES, Caller, NoAnswer, Refused

HERE = Path(__file__).parent


def words(served, *more):
    asked = [str(HERE / "readings.csv"), "--url", served.url, "--key", served.key]
    return [*asked, "--family", served.family, "--site", served.site, *more]


class TestOnTheCommandLine:
    def test_prints_the_plan_holds_it_and_reports_the_fit(self, served, capsys):
        before = served.on_hand("2.600")
        assert main(words(served, "--hold", "order 7", "--fit")) == 0
        printed = capsys.readouterr().out
        first, *others = printed.splitlines()
        assert first.split()[:5] == ["1-IN", "tight", "stock", "2.6", "mm"]
        assert [line.split()[2] for line in others[:3]] == ["keep"] * 3
        assert "reported: fitted" in printed
        assert (before, served.on_hand("2.600")) == (6, 5)
        assert Hold.objects.get().reference == "order 7"

    def test_without_a_hold_nothing_is_written(self, served, capsys):
        assert main(words(served)) == 0
        assert not Hold.objects.exists()

    def test_a_refusal_is_printed_with_its_places(self, served, capsys, tmp_path):
        sheet = tmp_path / "wrong.csv"
        sheet.write_text("valve,least,most,passes\n1-IN,6,10 thou,5 thou\n")
        asked = words(served)
        assert main([str(sheet), *asked[1:]]) == 1
        assert "/valves/0/spec/min" in capsys.readouterr().err


class Cut(httpx.HTTPTransport):
    """The connection is cut after the request was sent: it was done, and nobody is told."""

    def __init__(self, times: int) -> None:
        super().__init__()
        self.left = times

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        response = super().handle_request(request)
        if request.method == "POST" and self.left:
            self.left -= 1
            response.read()
            response.close()
            raise httpx.ReadError("cut", request=request)
        return response


class TestWhenTheNetworkDrops:
    @pytest.fixture
    def caller(self, served):
        with contextlib.ExitStack() as open_lines:

            def make(transport, pauses):
                bearer = {"Authorization": f"Bearer {served.key}"}
                http = httpx.Client(base_url=served.url, headers=bearer, transport=transport)
                return Caller(open_lines.enter_context(http), sleep=pauses.append)

            yield make

    def body(self, served):
        return {"reference": "order 8", "lines": [served.world.line()]}

    def test_a_hold_whose_answer_was_lost_is_held_once(self, caller, served):
        pauses: list[float] = []
        hold = caller(Cut(3), pauses).write("/api/v1/holds", self.body(served))
        assert Hold.objects.get().pk.hex == hold["id"].replace("-", "")
        assert len(pauses) == 3
        assert pauses == sorted(pauses) or pauses[0] < pauses[-1]

    def test_who_gives_up_keeps_the_key_and_asks_again_later(self, caller, served):
        with pytest.raises(NoAnswer) as silence:
            caller(Cut(MOST_TRIES), []).write("/api/v1/holds", self.body(served))
        hold = caller(Cut(0), []).write("/api/v1/holds", self.body(served), key=silence.value.key)
        assert Hold.objects.get().pk.hex == hold["id"].replace("-", "")

    def test_a_refusal_is_not_asked_again(self, caller, served):
        pauses: list[float] = []
        body = {"reference": "order 9", "lines": [served.world.line(quantity=99)]}
        with pytest.raises(Refused) as refused:
            caller(Cut(0), pauses).write("/api/v1/holds", body)
        assert refused.value.problem["type"] == "/api/problems/not-enough"
        assert pauses == []

    @pytest.mark.parametrize(
        ("status", "kind", "again"),
        [
            (503, "busy", True),
            (429, "quota-exceeded", True),
            (409, "in-flight", True),
            (409, "not-enough", False),
            (412, "stale-version", False),
            (422, "idempotency-key-reused", False),
            (400, "invalid", False),
        ],
    )
    def test_what_is_sent_again_is_what_the_pages_of_problems_say(self, status, kind, again):
        sent: list[str] = []

        def answer(request: httpx.Request) -> httpx.Response:
            sent.append(request.headers["Idempotency-Key"])
            if len(sent) == 3:
                return httpx.Response(200, json={})
            problem = {"type": f"/api/problems/{kind}", "status": status, "detail": "no"}
            headers = {"Content-Type": "application/problem+json", "Retry-After": "7"}
            return httpx.Response(status, content=json.dumps(problem), headers=headers)

        pauses: list[float] = []
        http = httpx.Client(base_url="http://shop.example", transport=httpx.MockTransport(answer))
        asking = Caller(http, sleep=pauses.append)
        if not again:
            with pytest.raises(Refused):
                asking.write("/api/v1/holds", {})
            assert len(sent) == 1
            return
        asking.write("/api/v1/holds", {})
        assert len(sent) == 3
        assert len(set(sent)) == 1
        assert all(pause >= 7 for pause in pauses)


def test_a_script_under_node_does_the_whole_flow(served):
    """Another language's own fetch, no package: the API is not shaped for one library."""
    node = shutil.which("node")
    if node is None:
        pytest.fail("This test needs node 18 or newer, and there is none. Install it: apt-get install nodejs")
    done = subprocess.run(
        [node, str(HERE / "flow.mjs"), served.url, served.key, served.site, served.family],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["actions"] == ["stock", "keep"]
    assert found["hold"]["state"] == "fitted"
    assert served.on_hand("2.600") == 5
    assert sum(row["on_hand"] for row in found["left"] if row["thickness"]["value"] == "2.6") == 5

"""A client that openapi-python-client, a public generator, makes of the document, against a live server."""

import importlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from api.document import document


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    """The package that is generated from the document; what the generator warns of is an error."""
    folder = tmp_path_factory.mktemp("generated")
    # The generator knows no PDF; this is its own way to take one as bytes. Nobody reads its hundreds of
    # files, so nothing tidies them.
    overrides = folder / "overrides.json"
    told = {"content_type_overrides": {"application/pdf": "application/octet-stream"}, "post_hooks": []}
    overrides.write_text(json.dumps(told))
    # As JSON, which it reads ten times as fast; tests/api/test_document.py holds it against the stored YAML.
    described = folder / "openapi.json"
    described.write_text(json.dumps(document()))
    done = subprocess.run(
        [
            *(
                sys.executable,
                "-m",
                "openapi_python_client",
                "generate",
                "--meta",
                "none",
                "--fail-on-warning",
            ),
            *("--config", str(overrides)),
            *("--path", str(described)),
            *("--output-path", str(folder / "coldgap_client")),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    sys.path.insert(0, str(folder))
    yield importlib.import_module("coldgap_client")
    sys.path.remove(str(folder))
    for name in [name for name in sys.modules if name.split(".")[0] == "coldgap_client"]:
        del sys.modules[name]


def operation(client, name):
    (found,) = (Path(client.__file__).parent / "api").glob(f"*/{name}.py")
    return importlib.import_module(f"coldgap_client.api.{found.parent.name}.{name}")


def test_every_operation_of_the_document_is_in_it(client):
    made = {path.stem for path in (Path(client.__file__).parent / "api").glob("*/*.py")} - {"__init__"}
    named = {
        operation["operationId"] for methods in document()["paths"].values() for operation in methods.values()
    }
    # Python's own words get an underscore.
    assert {name.rstrip("_") for name in made} == named


@pytest.fixture
def caller(client, served):
    session = client.AuthenticatedClient(
        base_url=served.url, token=served.key, raise_on_unexpected_status=True
    )
    with session:
        yield session


def test_it_plans_holds_and_reports_the_fit(client, caller, served):
    models = importlib.import_module("coldgap_client.models")
    thou, mm = ({"unit": unit} for unit in ("thou", "mm"))
    asked = models.PlanRequestRequest.from_dict(
        {
            "site": served.site,
            "family": served.family,
            "valves": [
                {
                    "label": "1-IN",
                    "spec": {"min": thou | {"value": "6"}, "max": thou | {"value": "10"}},
                    "clearance": {"passes": thou | {"value": "5"}},
                    "shim": {"thickness": mm | {"value": "2.650"}, "known_by": "measured"},
                }
            ],
        }
    )
    plan = operation(client, "plan").sync(client=caller, body=asked)
    (valve,) = plan.valves
    assert valve.action.value == "stock"
    shim = valve.shim.to_dict()
    line = {name: shim[name] for name in ("thickness", "condition")}
    line |= {"family": served.family, "bin": shim["from"]["bin"], "label": "1-IN"}
    wanted = models.HoldShimsRequest.from_dict({"reference": "generated", "lines": [line]})
    held = operation(client, "hold_shims").sync_detailed(client=caller, body=wanted, idempotency_key="one")
    again = operation(client, "hold_shims").sync_detailed(client=caller, body=wanted, idempotency_key="one")
    assert (held.status_code, again.parsed.id) == (201, held.parsed.id)
    fitted = operation(client, "fit_hold").sync(
        held.parsed.id,
        client=caller,
        body=models.FitHoldRequest(),
        idempotency_key="two",
        if_match=held.headers["ETag"],
    )
    assert fitted.state.value == "fitted"
    refused = operation(client, "fit_hold").sync(
        held.parsed.id, client=caller, body=models.FitHoldRequest(), idempotency_key="three", if_match="*"
    )
    assert isinstance(refused, models.Problem)
    assert refused.status == 409

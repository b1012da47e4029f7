"""The shape of the code, as DESIGN.md fixes it: who may import whom, compute without Django, short files.

Each rule is a function from a checkout to the offences in it, so that the same function is run on this
checkout, where it must find nothing, and on a small planted one, where it must find what was planted.
"""

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("shop", "inventory", "jobs", "api")
# What compute may lean on besides the standard library. A library that is added here must work without
# Django, a database and a network.
NUMERIC = {"numpy", "scipy"}
# See everything: the address table, which names every page, and the demo, which makes a whole shop.
SEES_ALL = ("shop.urls", "shop.management.commands.demo", "shop.demo")
MAX_LINES = 400
COUNTED = {".py", ".html", ".css", ".js"}
NOT_COUNTED = {"migrations", "vendor", "vendored", "golden"}
NOT_OURS = {"data", "build", "staticfiles", "node_modules", "__pycache__"}


def module_of(root: Path, path: Path) -> str:
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def ours(root: Path) -> Iterator[tuple[str, Path]]:
    """Every module of the four packages with its file, migrations too."""
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            yield module_of(root, path), path


def imports_of(module: str, path: Path) -> Iterator[tuple[int, str]]:
    """Every module that a file imports, wherever the import stands, with its line. `from a import b` gives
    a.b, since b may be a module; `import_module("a")` and `__import__("a")` count as well.
    """
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), filename=str(path))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                kept = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*kept, base] if base else kept)
            for alias in node.names:
                yield node.lineno, f"{base}.{alias.name}"
        elif isinstance(node, ast.Call) and node.args:
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            first = node.args[0]
            if name in ("import_module", "__import__") and isinstance(first, ast.Constant):
                yield node.lineno, str(first.value)


def inside(module: str, *packages: str) -> bool:
    return any(module == package or module.startswith(f"{package}.") for package in packages)


def is_compute(module: str) -> bool:
    return inside(module, "inventory.compute", "jobs.compute")


def layer_of(module: str) -> str:
    """shop, inventory, jobs, ui or api: where a module of ours stands."""
    package, _, rest = module.partition(".")
    # Template tags are how pages draw: they stand with the pages.
    return "ui" if inside(rest, "ui", "templatetags") and package != "shop" else package


# What a layer may import of ours. api and ui stand side by side on top and do not know each other.
MAY_IMPORT = {
    "shop": {"shop"},
    "inventory": {"inventory", "shop"},
    "jobs": {"jobs", "inventory", "shop"},
    "ui": {"ui", "jobs", "inventory", "shop"},
    "api": {"api", "jobs", "inventory", "shop"},
}


def wrong_directions(root: Path) -> list[str]:
    offences = []
    for module, path in ours(root):
        if inside(module, *SEES_ALL):
            continue
        layer = layer_of(module)
        for line, imported in imports_of(module, path):
            if imported.partition(".")[0] not in PACKAGES:
                continue
            if layer_of(imported) not in MAY_IMPORT[layer] or inside(imported, *SEES_ALL):
                offences.append(f"{path.relative_to(root)}:{line}: {layer} may not import {imported}")
    return offences


def impure_imports(root: Path) -> list[str]:
    """Imports in compute of anything but the standard library, numbers, and compute itself."""
    offences = []
    for module, path in ours(root):
        if not is_compute(module):
            continue
        for line, imported in imports_of(module, path):
            top = imported.partition(".")[0]
            pure = top in sys.stdlib_module_names or top in NUMERIC or is_compute(imported)
            if not pure or (inside(module, "inventory") and inside(imported, "jobs")):
                offences.append(f"{path.relative_to(root)}:{line}: compute may not import {imported}")
    return offences


def clock_reads(root: Path) -> list[str]:
    """Places in compute that ask what time it is; pure code is told."""
    offences = []
    for module, path in ours(root):
        if not is_compute(module):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                call = ast.unparse(node.func)
                if node.func.attr in ("now", "utcnow", "today") or call in ("time.time", "time.time_ns"):
                    offences.append(f"{path.relative_to(root)}:{node.lineno}: compute may not call {call}()")
    return offences


_IMPORT_AND_LOOK = """
import importlib, json, sys
root, modules = sys.argv[1], sys.argv[2:]
sys.path.insert(0, root)
def impure(name):
    top = name.partition(".")[0]
    if name in ("inventory", "jobs") or name.startswith(("inventory.compute", "jobs.compute")):
        return False
    if top in ("shop", "inventory", "jobs", "api"):
        return True
    # SciPy loads its solvers when they are first named in full: else each start took 0.6 s longer.
    foreign = ("django", "rest_framework", "celery", "redis", "psycopg", "sqlite3")
    return name == "scipy.optimize" or top in foreign
seen, found = set(), {}
for module in modules:
    importlib.import_module(module)
    new = {name for name in list(sys.modules) if impure(name)} - seen
    seen |= new
    if new:
        found[module] = sorted(new)
print(json.dumps(found))
"""


def impure_when_imported(root: Path) -> dict[str, list[str]]:
    """What a fresh interpreter has loaded beyond compute after importing every compute module: the module
    after which it was first there, and the names. Sees also what no import statement shows.
    """
    modules = [module for module, _ in ours(root) if is_compute(module)]
    assert modules, "no compute module found: the check would say nothing"
    child = subprocess.run(
        [sys.executable, "-I", "-c", _IMPORT_AND_LOOK, str(root), *modules],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert child.returncode == 0, child.stderr
    return json.loads(child.stdout)


def long_files(root: Path) -> list[str]:
    offences = []
    for top in sorted(root.iterdir()):
        if top.name.startswith(".") or top.name in NOT_OURS:
            continue
        for path in [top] if top.is_file() else sorted(top.rglob("*")):
            folders = set(path.relative_to(root).parts[:-1])
            if path.suffix not in COUNTED or path.name.endswith(".min.js") or not path.is_file():
                continue
            if folders & (NOT_COUNTED | NOT_OURS):
                continue
            lines = len(path.read_text(encoding="utf-8").splitlines())
            if lines > MAX_LINES:
                offences.append(f"{path.relative_to(root)}: {lines} lines, at most {MAX_LINES}")
    return offences


def not_empty(root: Path) -> list[str]:
    """The two package files that must be there and empty, so that compute imports without Django."""
    files = [root / package / "__init__.py" for package in ("inventory", "jobs")]
    return [str(path.relative_to(root)) for path in files if not path.is_file() or path.stat().st_size]


def nameless_modules(root: Path) -> list[str]:
    """Modules named for nothing in the trade."""
    return [str(path.relative_to(root)) for _, path in ours(root) if path.stem in ("utils", "helpers")]


class TestThisCheckout:
    @pytest.mark.parametrize(
        "rule", [wrong_directions, impure_imports, clock_reads, long_files, not_empty, nameless_modules]
    )
    def test_keeps_the_rule(self, rule):
        assert rule(ROOT) == []

    def test_compute_imports_nothing_else_when_run(self):
        assert impure_when_imported(ROOT) == {}

    def test_is_really_looked_at(self):
        modules = {module for module, _ in ours(ROOT)}
        assert {"inventory.compute.lengths", "inventory", "jobs", "shop", "api"} <= modules
        assert any(imported == "re" for _, imported in imports_of_module("inventory.compute.lengths"))


def imports_of_module(module: str) -> list[tuple[int, str]]:
    return list(imports_of(module, ROOT / f"{module.replace('.', '/')}.py"))


@pytest.fixture
def checkout(tmp_path):
    """Writes files into a small checkout that keeps every rule until something is planted."""

    def write(name: str, text: str = "") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return tmp_path

    write("inventory/__init__.py")
    write("inventory/compute/__init__.py")
    write("inventory/compute/lengths.py", "import re\nfrom fractions import Fraction\n")
    write("inventory/models/__init__.py", "from shop.models import User\n")
    write("inventory/ui/stock.py", "from jobs.selectors.waiting import bays\n")
    write("jobs/__init__.py")
    write("jobs/compute/__init__.py")
    write("jobs/compute/windows.py", "from inventory.compute.lengths import Fraction\n")
    write("jobs/services/plan.py", "from inventory.services import holds\nfrom ..compute import windows\n")
    write("api/plans.py", "from jobs.compute import windows\nfrom jobs.services import plan\n")
    write("shop/urls.py", "from api import plans\nfrom jobs.ui import board\n")
    write("shop/management/commands/demo.py", "from jobs.services import plan\n")
    return write


def test_a_checkout_that_keeps_the_rules_is_left_alone(checkout):
    root = checkout("README.md", "line\n" * 500)
    for rule in (wrong_directions, impure_imports, clock_reads, long_files, not_empty, nameless_modules):
        assert rule(root) == []
    assert impure_when_imported(root) == {}


@pytest.mark.parametrize(
    ("file", "text", "says"),
    [
        (
            "shop/models/site.py",
            "from inventory.models import Bin\n",
            "shop may not import inventory.models.Bin",
        ),
        ("shop/middle.py", "def f():\n    import jobs.services\n", ":2: shop may not import jobs.services"),
        (
            "inventory/services/holds.py",
            "from jobs.models import Job\n",
            "inventory may not import jobs.models",
        ),
        ("inventory/services/holds.py", "from .. import ui\n", "inventory may not import inventory.ui"),
        (
            "inventory/services/holds.py",
            "from ..ui import stock\n",
            "inventory may not import inventory.ui.stock",
        ),
        ("jobs/services/fit.py", "import api\n", "jobs may not import api"),
        ("jobs/services/fit.py", "from api.plans import x\n", "jobs may not import api.plans.x"),
        ("jobs/ui/board.py", "from api import fields\n", "ui may not import api.fields"),
        ("api/jobs.py", "from jobs.ui import board\n", "api may not import jobs.ui.board"),
        ("api/jobs.py", "from shop.urls import urlpatterns\n", "api may not import shop.urls"),
        ("shop/apps.py", 'import importlib\nimportlib.import_module("api.x")\n', "shop may not import api.x"),
    ],
)
def test_an_import_against_the_direction_is_named(checkout, file, text, says):
    root = checkout(file, text)
    (offence,) = wrong_directions(root)
    assert offence.startswith(f"{file}:")
    assert says in offence


@pytest.mark.parametrize(
    ("file", "text", "says"),
    [
        ("jobs/compute/bad.py", "from django.db import models\n", "django.db.models"),
        ("jobs/compute/planner/bad.py", "import rest_framework\n", "rest_framework"),
        ("inventory/compute/bad.py", "def f():\n    from celery import shared_task\n", "celery.shared_task"),
        ("inventory/compute/bad.py", "from inventory.models import Bin\n", "inventory.models.Bin"),
        ("inventory/compute/bad.py", "from ..models import Bin\n", "inventory.models.Bin"),
        ("inventory/compute/bad.py", "from shop.errors import ShopError\n", "shop.errors.ShopError"),
        ("inventory/compute/bad.py", "from jobs.compute import windows\n", "jobs.compute.windows"),
    ],
)
def test_an_impure_import_in_compute_is_named(checkout, file, text, says):
    (offence,) = impure_imports(checkout(file, text))
    assert offence.startswith(f"{file}:")
    assert offence.endswith(f"compute may not import {says}")


def test_what_is_loaded_unseen_is_named(checkout):
    """An import that no statement shows: through a package file that is not empty."""
    checkout("inventory/__init__.py", "import django\n")
    root = checkout("jobs/compute/bad.py", 'exec("import cel" "ery")\n')
    found = impure_when_imported(root)
    assert "django" in found["inventory.compute"]
    assert "celery" in found["jobs.compute.bad"]


@pytest.mark.parametrize(
    "text",
    [
        "import datetime\nx = datetime.datetime.now()\n",
        "from datetime import date\nx = date.today()\n",
        "import time\nx = time.time()\n",
    ],
)
def test_a_look_at_the_clock_in_compute_is_named(checkout, text):
    (offence,) = clock_reads(checkout("jobs/compute/bad.py", text))
    assert offence.startswith("jobs/compute/bad.py:2: compute may not call ")


@pytest.mark.parametrize(
    "file",
    [
        "api/long.py",
        "shop/templates/long.html",
        "shop/static/long.css",
        "shop/static/long.js",
        "tests/test_long.py",
    ],
)
def test_a_long_file_is_named(checkout, file):
    assert long_files(checkout(file, "\n" * MAX_LINES)) == []
    assert long_files(checkout(file, "\n" * (MAX_LINES + 1))) == [f"{file}: 401 lines, at most 400"]


@pytest.mark.parametrize(
    "file",
    [
        "inventory/migrations/0001_ledger.py",
        "shop/static/htmx.min.js",
        "shop/static/vendor/axe.js",
        "tests/golden/page.html",
        ".venv/lib/long.py",
    ],
)
def test_a_file_that_nobody_writes_by_hand_may_be_long(checkout, file):
    assert long_files(checkout(file, "\n" * 500)) == []


def test_a_package_file_that_is_not_empty_is_named(checkout):
    root = checkout("jobs/__init__.py", "\n")
    (root / "inventory/__init__.py").unlink()
    assert not_empty(root) == ["inventory/__init__.py", "jobs/__init__.py"]


def test_a_module_named_for_nothing_is_named(checkout):
    assert nameless_modules(checkout("jobs/services/utils.py")) == ["jobs/services/utils.py"]

"""Pictures of every page of the invented shop, into build/shots/ (ignored by git).

    python -m tests.browser.shots [--only plan,board] [--size phone,tablet,wide,desktop] [--dark]

It makes a shop of its own in a temporary folder, unless --data names the folder of one that is there.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

ROOT = Path(__file__).resolve().parents[2]
SIZES = {"phone": (390, 844), "tablet": (820, 1180), "wide": (1180, 820), "desktop": (1440, 900)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="page names, separated by commas")
    parser.add_argument("--size", default="phone,tablet,desktop")
    parser.add_argument("--dark", action="store_true")
    parser.add_argument("--data", help="the folder of a demo shop to use")
    parser.add_argument("--port", type=int, default=8171)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="coldgap-shots-") as folder:
        os.environ |= {"COLDGAP_DATA_DIR": options.data or folder, "DJANGO_SETTINGS_MODULE": "shop.settings"}
        manage = [sys.executable, str(ROOT / "manage.py"), "demo"]
        subprocess.run([*manage, "--build-only"], cwd=ROOT, check=True)
        server = subprocess.Popen([*manage, "--port", str(options.port)], cwd=ROOT, stdout=subprocess.DEVNULL)
        try:
            _wait(server, f"http://127.0.0.1:{options.port}/healthz")
            _take(options)
        finally:
            server.terminate()
            server.wait(timeout=20)


def _wait(server: subprocess.Popen, address: str) -> None:
    end = time.monotonic() + 60
    while time.monotonic() < end and server.poll() is None:
        try:
            urlopen(address, timeout=2).read()
        except (URLError, OSError):
            time.sleep(0.2)
        else:
            return
    raise SystemExit(f"nothing answers at {address}")


def _take(options: argparse.Namespace) -> None:
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"  # Playwright keeps a loop in this thread
    import django  # noqa: PLC0415 - once the environment names the shop's folder

    django.setup()
    from playwright.sync_api import sync_playwright  # noqa: PLC0415

    from shop.demo.people import PASSWORDS  # noqa: PLC0415
    from shop.models import Role, Site  # noqa: PLC0415
    from tests.browser.launch import ARGUMENTS, EXECUTABLE  # noqa: PLC0415
    from tests.ui.walk import pages_of  # noqa: PLC0415

    wanted = {name for name in options.only.split(",") if name}
    pages = {
        (f"{site.code}-{name}", address)
        for site in Site.objects.order_by("code")
        for name, address in pages_of(site)
    }
    target = ROOT / "build" / "shots"
    target.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=EXECUTABLE, args=ARGUMENTS)
        for size in options.size.split(","):
            width, height = SIZES[size]
            context = browser.new_context(
                viewport={"width": width, "height": height},
                color_scheme="dark" if options.dark else "light",
                base_url=f"http://127.0.0.1:{options.port}",
            )
            page = context.new_page()
            page.goto("/log-in")
            shade = "-dark" if options.dark else ""
            if not wanted or "log_in" in wanted:
                page.screenshot(path=target / f"log_in-{size}{shade}.png", full_page=True)
            page.fill("#id_username", "edda")
            page.fill("#id_password", PASSWORDS[Role.MANAGER])
            page.click("button")
            if not wanted or "sites" in wanted:
                page.screenshot(path=target / f"sites-{size}{shade}.png", full_page=True)
            for name, address in sorted(pages):
                short = name.partition("-")[2]
                if wanted and short not in wanted and short.partition("-")[0] not in wanted:
                    continue
                page.goto(address)
                page.screenshot(path=target / f"{name}-{size}{shade}.png", full_page=True)
            context.close()
        browser.close()
    print(f"Pictures are in {target}.")


if __name__ == "__main__":
    main()

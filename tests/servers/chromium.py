"""The browser of the browser tests: the system's own chromium, installed from Debian's packages if need be.

python -m tests.servers.chromium
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome")
PACKAGES = ("chromium", "fonts-dejavu-core")


def find() -> Path | None:
    """Where the browser is; None when there is none."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    return Path(found) if found else None


def install() -> None:
    """Install it as root with apt-get; SystemExit with what to do where that is not possible."""
    if shutil.which("apt-get") is None or os.geteuid() != 0:
        raise SystemExit(
            "The browser tests need chromium, and there is none. Install it, for instance with: "
            f"sudo apt-get install {' '.join(PACKAGES)}"
        )
    print("Installing chromium for the browser tests …", flush=True)
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    for command in (["update"], ["install", "-y", "--no-install-recommends", *PACKAGES]):
        done = subprocess.run(
            ["apt-get", "-q", *command], env=environment, capture_output=True, text=True, check=False
        )
        if done.returncode != 0:
            raise SystemExit(f"apt-get {command[0]} failed:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")


if __name__ == "__main__":
    if find() is None:
        install()
    if find() is None:
        sys.exit("chromium was installed and is still not on the PATH.")

"""How the browser is started: the system's own chromium, told to talk to nobody."""

from tests.servers.chromium import find

EXECUTABLE = str(find() or "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]

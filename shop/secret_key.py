"""The secret key of the embedded default: made once, kept in a file that only its owner can read."""

import os
import secrets
import tempfile
from pathlib import Path


def read_or_make_secret_key(path: Path) -> str:
    """The key in `path`; made first when there is none. Safe when several processes start at once."""
    try:
        return path.read_text(encoding="ascii").strip()
    except FileNotFoundError:
        pass
    path.parent.mkdir(parents=True, exist_ok=True)
    # mkstemp gives mode 0600 from the first byte on. The link is all or nothing, so nobody reads half a key,
    # and it fails when another process was first, whose key then holds.
    descriptor, temporary = tempfile.mkstemp(dir=path.parent, prefix=".secret_key")
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write(secrets.token_urlsafe(64))
    try:
        os.link(temporary, path)
    except FileExistsError:
        pass
    finally:
        Path(temporary).unlink()
    return path.read_text(encoding="ascii").strip()

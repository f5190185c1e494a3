"""`tautlog new`: a site folder with empty registers and examples that are never loaded."""

from __future__ import annotations

import importlib.resources
from pathlib import Path

from pipeline.errors import StoreError
from pipeline.registers import columns_of
from pipeline.site import REGISTERS

_SITE_TOML = """\
# One berth or ship. Times in the registers are RFC 3339 with an offset, such as 2026-03-01T06:30:00+01:00.
[site]
id = "{id}"
name = "{id}"
timezone = "UTC"      # IANA name of the local time that loggers with zone = "site" write
ambient_c = 15.0      # air temperature assumed where no sensor reports it

# Every threshold has a default; name only those that differ here.
[policy]
"""


def new_site(root: Path) -> None:
    """Make the folder `root` with site.toml, header-only registers, specs/, layouts/ and inbox/.

    Examples end in `.toml.example`: rename to `.toml` and edit. StoreError when `root` holds anything.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        if any(root.iterdir()):
            raise StoreError("the folder is not empty", file=root, next_step="name a new or empty folder for the site")
        for folder in ("specs", "layouts", "inbox"):
            (root / folder).mkdir()
        name = "".join(mark if mark.isalnum() or mark in "-_" else "-" for mark in root.resolve().name)
        (root / "site.toml").write_text(_SITE_TOML.format(id=name or "site"), encoding="utf-8")
        for file, model in REGISTERS.items():
            (root / file).write_text(",".join(columns_of(model)) + "\n", encoding="utf-8")
        examples = importlib.resources.files("schemas") / "examples"
        for folder in ("specs", "layouts"):
            for entry in (examples / folder).iterdir():
                if entry.name.endswith(".toml.example"):
                    (root / folder / entry.name).write_bytes(entry.read_bytes())
    except OSError as error:
        raise StoreError(f"cannot make the site folder: {error.strerror}", file=error.filename or root) from error

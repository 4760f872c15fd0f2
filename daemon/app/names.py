"""Do other distributions claim the plain top-level names this program is built from?

Lives here: that one look, for the start of the service, for `doctor` and for the tests. Reads the records pip leaves
beside each distribution and the folders of the import path; imports nothing it finds.
May import: the standard library. Never: the rooms of the daemon.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from importlib.metadata import Distribution, distributions
from pathlib import Path
from typing import Final

NAMES: Final = ("daemon", "drivers", "config")
OURS: Final = "waterside"


def foreign_claims(path: Sequence[str] | None = None) -> list[str]:
    """One sentence for each foreign claim on `daemon`, `drivers` or `config`; empty when all is well.

    `path`: folders as in `sys.path`, which is the default. A claim is a distribution other than ours whose record
    lists files under one of the names, or a package or module of that name in a second folder of the path.
    """
    folders = [entry or "." for entry in (sys.path if path is None else path)]
    return [*_claimed_by_distributions(folders), *_found_twice(folders)]


def _claimed_by_distributions(folders: list[str]) -> Iterator[str]:
    for found in distributions(path=folders):
        name = found.metadata["Name"] or "a distribution without a name"
        if name.lower() == OURS:
            continue
        for claimed in _top_level(found):
            yield (
                f"The name {claimed!r} is also claimed by the distribution {name} {found.version} "
                f"in {found.locate_file('')}. Install waterside into an environment of its own, as deploy/start does."
            )


def _top_level(found: Distribution) -> list[str]:
    """Those of our names that a distribution installs, from its record or, where it has none, its list of names."""
    record = found.read_text("RECORD")
    if record is not None:
        lines = "\n" + record.replace("\\", "/")
        return [name for name in NAMES if f"\n{name}/" in lines or f"\n{name}.py," in lines]
    listed = (found.read_text("top_level.txt") or "").split()
    return [name for name in NAMES if name in listed]


def _found_twice(folders: list[str]) -> Iterator[str]:
    """A second `config/` or `config.py` on the path can be imported in place of ours, or ours in place of it."""
    places = list(dict.fromkeys(Path(folder).resolve() for folder in folders))
    for name in NAMES:
        at = [
            str(place)
            for place in places
            if (place / name / "__init__.py").is_file() or (place / f"{name}.py").is_file()
        ]
        if len(at) > 1:
            yield (
                f"The name {name!r} is on the import path {len(at)} times: in {', '.join(at)}. "
                "Start the service by its own command, or take the other folder off PYTHONPATH."
            )

"""Outputs invented for tests, as a one-file plugin: one of a run, one of letters, and some that misbehave."""

from __future__ import annotations

from pathlib import Path

PLUGIN = """
import json
from pathlib import Path
from aftersun import api


class Sheet:
    id = "sheet"
    writes = "One line a call."
    of = api.OF_RUN
    personal = False

    def write(self, run, folder, settings):
        print("an output may not print to stdout")
        lines = [f"{row.site_id} {row.retrofit}" for row in run.calls().itertuples()]
        names = [str(name) for name in run.contacts()["name"].dropna()]
        path = folder / "sheet.txt"
        path.write_text("\\n".join([*lines, *names, json.dumps(dict(settings))]), encoding="utf-8")
        path.chmod(0o666)
        return [path]


class Several(Sheet):
    id = "several"

    def write(self, run, folder, settings):
        (folder / "parts").mkdir()
        paths = [folder / "index.txt", folder / "parts" / "one.txt"]
        for path in paths:
            path.write_text(run.run_id)
        (folder / "scrap.txt").write_text("not named, not kept")
        return paths


class Note:
    id = "note"
    words = {"greeting": "Good day,", "not_in_any_file": "x", **{f"text_{n}": "x" for n in range(9)}}
    writes = "One text a letter."
    of = api.OF_LETTER
    personal = True

    def write(self, run, folder, settings):
        if "fail" in settings:
            raise RuntimeError(f"no letter for {run.letters()[0].customer[0]}")
        paths = []
        for place, letter in enumerate(run.letters()):
            path = folder / f"{place}.TXT"
            offered = "; ".join(f"{o.offer}={o.price:.2f}" for o in letter.options)
            path.write_text(f"{run.letterhead.name}|{letter.number} v{letter.version}|{letter.customer}|{offered}")
            paths.append(path)
        return paths


@api.hookimpl
def aftersun_outputs():
    return [Sheet(), Several(), Note()]
"""

BAD = """
from pathlib import Path
from aftersun import api
from {package} import Sheet


class Bad(Sheet):
    id = "bad"

    def write(self, run, folder, settings):
        {body}


@api.hookimpl
def aftersun_outputs():
    return [Bad()]
"""


def write_plugins(folder: Path, bad: str = "") -> Path:
    """Write the plugin files into a new folder; ``bad`` is what the method of an output that misbehaves does."""
    folder.mkdir()
    (folder / "fakes.py").write_text(PLUGIN, encoding="utf-8")
    if bad:
        text = BAD.format(package="aftersun_file_plugin_fakes", body=bad)
        (folder / "worse.py").write_text(text, encoding="utf-8")
    return folder

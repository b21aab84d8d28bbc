"""The programs on a release's page, taken from the page as it is served and run as they stand there.

Judges: what each library prints is held against the files, which are read here with the standard library alone.
"""

from __future__ import annotations

import csv
import json
import math
import os
import re
import shlex
import subprocess
import sys
from html import unescape
from pathlib import Path
from typing import Any

import httpx
import pytest
from django.conf import settings as django_settings

from surveys.models import Export, Release
from tests.conftest import RSCRIPT
from tests.factories import make_researcher, make_season, token_of
from tests.making import make_release_now
from tests.several_seasons import catch_of, send_year
from tests.surveys.services.test_frozen_tables import own_gardens

pytestmark = pytest.mark.django_db(transaction=True)

#: Seconds that a program is given; the first start of a library takes some.
PATIENCE_S = 300
IN_PYTHON = ("pandas.py", "polars.py", "duckdb.py", "geopandas.py")
IN_R = ("readr.R", "sf.R")
OF_CELLS = ("geopandas.py", "sf.R")


@pytest.fixture
def release(settings: Any, tmp_path: Path) -> Release:
    """A release that was made from two years of a season's gardens, as the job makes one."""
    settings.RELEASES_FOLDER = tmp_path / "releases"
    make_season(year=2025)
    season = make_season()
    gardens = own_gardens(14)
    for year in (2025, 2026):
        send_year(gardens, year, lambda n: catch_of(woodlice=n % 5 + 1, spiders=n % 3))
    return make_release_now(season)


@pytest.fixture
def programs(release: Release, running: str) -> dict[str, str]:
    """The programs by their names, out of the page."""
    page = httpx.get(f"{running}/releases/{release.version}/").raise_for_status().text
    found = re.findall(r'<code data-snippet="([^"]+)">(.*?)</code>', page, re.DOTALL)
    return {name: unescape(code) for name, code in found}


def printed_by(words: list[str], folder: Path) -> dict[str, float]:
    """Run a program in a folder of its own and return what it prints: a name, a colon, a number on each line."""
    environment = {**os.environ, "HOME": str(folder), "no_proxy": "*"}
    done = subprocess.run(
        words, cwd=folder, env=environment, capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    lines = (line.rpartition(":") for line in done.stdout.splitlines() if ":" in line)
    return {name.strip(): float(number) for name, _colon, number in lines}


def expected(release: Release) -> dict[str, float]:
    """Return what the files say, by the names under which the programs print it."""
    folder = Path(django_settings.RELEASES_FOLDER) / release.version

    def rows_of(name: str) -> list[dict[str, str]]:
        with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    returns, counts, cells = rows_of("returns"), rows_of("counts"), rows_of("cells")
    shown = [
        row
        for row in rows_of("index_level")
        if row["season"] == "test-2026"
        and row["rim_exponent"] == "1"
        and row["group"] == "woodlice"
        and row["estimate"]
    ]
    assert len(shown) == 1, "the world of this test has one figure of woodlice, so that the page can mean no other"
    known = {row["return_id"] for row in returns}
    return {
        "returns": len(returns),
        "counts with their return": sum(row["return_id"] in known for row in counts),
        "trap-nights": math.fsum(float(row["trap_nights"]) for row in returns if row["trap_nights"]),
        "index": float(shown[0]["estimate"]),
        "cells": len(cells),
        "cells of the map service": len(cells),
        "trap-nights of cells": math.fsum(float(row["trap_nights"]) for row in cells),
    }


def hold_against_the_files(printed: dict[str, float], release: Release, program: str) -> None:
    wanted = expected(release)
    assert min(wanted.values()) > 0
    of_cells = program in OF_CELLS
    names = {"cells", "cells of the map service", "trap-nights"} if of_cells else {
        "returns", "counts with their return", "trap-nights", "index",
    }  # fmt: skip
    assert printed.keys() == names, program
    for name in names:
        number = wanted["trap-nights of cells" if of_cells and name == "trap-nights" else name]
        # Sums of floats differ in their last digits with the order; whole numbers and the index do not.
        assert printed[name] == pytest.approx(number, rel=1e-12), (program, name)


def test_what_the_page_shows_for_python_runs_as_it_stands(
    programs: dict[str, str], release: Release, tmp_path: Path
) -> None:
    assert sorted(programs) == sorted((*IN_PYTHON, *IN_R))
    install_httpfs(tmp_path)
    for name in IN_PYTHON:
        program = tmp_path / f"program_{name}"
        program.write_text(programs[name], encoding="utf-8")
        printed = printed_by([sys.executable, str(program)], tmp_path)
        hold_against_the_files(printed, release, name)


def install_httpfs(home: Path) -> None:
    """Install DuckDB's extension from the package that carries it, as ``INSTALL httpfs`` does from the network.

    The program on the page stays as it is: DuckDB installs nothing that is there already.
    """
    words = (
        "import duckdb, duckdb_extension_httpfs as package, pathlib\n"
        "(found,) = pathlib.Path(package.__file__).parent.glob('extensions/*/httpfs.duckdb_extension')\n"
        "duckdb.sql(f\"INSTALL '{found}'\")\n"
    )
    subprocess.run([sys.executable, "-c", words], env={**os.environ, "HOME": str(home)}, check=True)


@pytest.mark.r
def test_what_the_page_shows_for_r_runs_as_it_stands(
    programs: dict[str, str], release: Release, tmp_path: Path
) -> None:
    assert RSCRIPT, "TRAPNIGHT_R asks for R, and there is no Rscript."
    for name in IN_R:
        program = tmp_path / f"program_{name}"
        program.write_text(programs[name], encoding="utf-8")
        hold_against_the_files(printed_by([RSCRIPT, str(program)], tmp_path), release, name)


# --- what the page of the data says to type ---------------------------------------------------------


def request_of(command: str, token: str) -> httpx.Request:
    """Read a command for curl as a shell reads it, and return the request that it sends."""
    program, *words = shlex.split(command.replace("\\\n", " ").replace("$TOKEN", token))
    assert program == "curl"
    headers: dict[str, str] = {}
    body: str | None = None
    address = ""
    while words:
        word = words.pop(0)
        if word == "-H":
            name, _colon, value = words.pop(0).partition(": ")
            headers[name] = value
        elif word == "-d":
            body = words.pop(0)
        else:
            address = word
    return httpx.Request("GET" if body is None else "POST", address, headers=headers, content=body)


def test_the_commands_for_live_data_do_what_the_page_says(release: Release, running: str) -> None:
    page = httpx.get(f"{running}/data/").raise_for_status().text
    commands = {
        name: unescape(text) for name, text in re.findall(r'<code data-command="(\w+)">(.*?)</code>', page, re.DOTALL)
    }
    token = token_of(make_researcher())
    with httpx.Client(timeout=30) as client:
        read = client.send(request_of(commands["read"], token))
        asked = client.send(request_of(commands["export"], token))
    assert read.status_code == 200, read.text
    assert {row["season"] for row in read.json()["items"]} == {release.season.code}
    assert asked.status_code in (201, 202), asked.text
    wanted = json.loads(request_of(commands["export"], token).content)
    export = Export.objects.get()
    assert (export.season.code, export.table, export.kind) == (wanted["season"], wanted["table"], wanted["kind"])

"""Rows are locked so that nobody is kept from pointing at them.

A return that is being stored holds the log, and asks only at the end for its trap, region, season and sender (FOR KEY
SHARE, as its foreign keys are deferred). Whoever holds one of those by plain FOR UPDATE and waits for the log waits for
the return, and it for them. Source: PostgreSQL 18 manual, 13.3.2 "Row-Level Locks": FOR NO KEY UPDATE keeps every other
writer away as well, and lets KEY SHARE pass.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


def locks(source: str) -> Iterator[tuple[int, bool]]:
    """Find each lock of rows in a module: its line, and whether others may point at the rows meanwhile."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "select_for_update":
            free = {one.arg: one.value for one in node.keywords}.get("no_key")
            yield node.lineno, isinstance(free, ast.Constant) and free.value is True


def test_every_lock_lets_others_point_at_the_row() -> None:
    found = {
        f"{path.relative_to(ROOT)}:{line}": free
        for folder in ("surveys", "api", "project")
        for path in (ROOT / folder).rglob("*.py")
        for line, free in locks(path.read_text(encoding="utf-8"))
    }
    assert len(found) > 40
    assert [place for place, free in found.items() if not free] == []


def test_a_plain_lock_is_found() -> None:
    found = locks("a.select_for_update(of=('self',)).get()\nb.select_for_update(no_key=True)")
    assert sorted(found) == [(1, False), (2, True)]

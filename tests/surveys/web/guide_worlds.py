"""A season with the real list of groups, for the pages that show it."""

from __future__ import annotations

import json
import re
from html import unescape
from typing import Any

from surveys.models import Season
from surveys.services.seasons import install_reference, install_season
from tests.factories import ROOT, protocol, square

GROUPS: list[dict[str, Any]] = json.loads((ROOT / "fixtures/reference/groups.json").read_text())
CODES = [group["code"] for group in GROUPS]


def make_full_season(*, leave_out: tuple[str, ...] = ()) -> Season:
    """Open a season of two regions that asks for every group of the reference list, or for all but a few."""
    habitats = [{"code": "short_lawn", "label": "Short lawn", "hint": ""}]
    install_reference(by=None, groups=GROUPS, habitats=habitats, protocol=protocol())
    plan = {
        "code": "full-2026", "title": "Full count 2026", "organiser": "Test office", "contact": "office@test.example",
        "protocol": "1", "opens_on": "2026-01-01", "closes_on": "2026-12-31", "time_zone": "Atlantic/Reykjavik",
        "licence": "CC-BY-4.0", "review_budget": 0.05, "groups": [code for code in CODES if code not in leave_out],
        "habitats": [{"code": "short_lawn", "weight": 1.0}],
        "windows": [{"code": "spring", "name": "Spring", "first_day": "2026-04-01", "last_day": "2026-05-31"}],
    }  # fmt: skip
    regions = (("eastmark", "Eastmark", -18), ("westmark", "Westmark", -19))
    features = [
        {"type": "Feature", "properties": {"code": code, "name": name}, "geometry": square(west, 51)}
        for code, name, west in regions
    ]
    return install_season(by=None, plan=plan, boundaries={"type": "FeatureCollection", "features": features})


def words_of(html: str) -> str:
    """Return what a reader sees in the main part of a page, as one line of plain words."""
    main = re.search(r"<main.*?</main>", html, re.DOTALL)
    assert main
    text = re.sub(r"</(p|li|h\d|dt|dd|figcaption|summary|label)>", " . ", main.group())
    return re.sub(r"[\s.]*\s\.\s[\s.]*", ". ", " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split()))

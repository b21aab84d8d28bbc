"""The methods page: it has every section, agrees with the code to the number, and lets nothing else in."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from functools import reduce
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

import surveys.methods
from surveys.methods import METHOD_VERSION
from surveys.web.methods import methods_text, set_text
from tests.factories import make_season

FOLDER = Path(surveys.methods.__path__[0])
SOURCE = (FOLDER / "METHODS.md").read_text(encoding="utf-8")
TEXT = " ".join(SOURCE.split())
PROTOCOL = json.loads((FOLDER.parent.parent / "fixtures" / "reference" / "protocol-1.json").read_text())

SECTIONS = (
    "What a catch measures",
    "The protocol check",
    "Effort and the rim",
    "Counts given as classes",
    "The level index",
    "Change",
    "Screening",
    "Groups seen",
    "Feedback to a household",
    "The design calculator",
    "Quality of review",
    "Disclosure",
    "Provenance, and how to compute it again",
    "When the shared parts are held",
    "What was measured",
    "Limits, and what was not tested",
    "References",
)


def methods_page() -> str:
    answer = Client().get("/methods/")
    assert answer.status_code == 200
    return answer.content.decode()


def value_of(name: str) -> Any:
    """Return what ``module.NAME`` or ``module.Record.field`` stands for in the methods; a field's default."""
    folder = "services" if name.startswith("services.") else "methods"
    module, *path = name.removeprefix("services.").split(".")

    def step(holder: Any, part: str) -> Any:
        if isinstance(holder, type) and is_dataclass(holder):
            return next(field.default for field in fields(holder) if field.name == part)
        return getattr(holder, part)

    return reduce(step, path, import_module(f"surveys.{folder}.{module}"))


def rows_of_constants() -> Iterator[tuple[str, str, str]]:
    """Yield meaning, value and name in the code of every row of every table of constants."""
    for table in re.findall(r"(?m)^\| Constant \|.*\n\| -.*\n((?:\|.*\n)+)", SOURCE):
        for line in table.splitlines():
            meaning, value, _, name = (cell.strip() for cell in line.strip("|").split(" | "))
            yield meaning, value, name.strip("` |")


CONSTANTS = tuple(rows_of_constants())


def limits_of(check: str, case: str) -> tuple[float, float]:
    """Return the range of a case in protocol version 1."""
    rule = next(rule for rule in PROTOCOL["checks"] if rule["check"] == check)
    return next((band["low"], band["high"]) for band in rule["bands"] if band["case"] == case)


#: What a sentence says, and the number that the code (or protocol version 1) has for it.
PHRASES: tuple[tuple[str, str | float], ...] = (
    ("A trap open for {} hours is one trap-night", "effort.HOURS_PER_TRAP_NIGHT"),
    ("(mouth / {} mm)^b", "effort.STANDARD_MOUTH_MM"),
    ("| {} to 100 mm, by offset |", limits_of("mouth_width", "wide")[0]),
    ("| 60 to {} mm, by offset |", limits_of("mouth_width", "wide")[1]),
    ("| depth of the cup | {} to 120 mm |", limits_of("cup_depth", "target")[0]),
    ("| depth of the cup | 80 to {} mm |", limits_of("cup_depth", "target")[1]),
    ("| gap under the cover | {} to 30 mm |", limits_of("cover_gap", "target")[0]),
    ("| gap under the cover | 15 to {} mm |", limits_of("cover_gap", "target")[1]),
    ("| 23.5 to {} h |", limits_of("exposure", "target")[1]),
    ("| {} to 36 h, by offset |", limits_of("exposure", "wide")[0]),
    ("| 16 to {} h, by offset |", limits_of("exposure", "wide")[1]),
    ("| settled before opening | {} h or more |", limits_of("settling", "settled")[0]),
    ("water up to {} mm", limits_of("liquid", "standing_water")[1]),
    ("stands {} arc minutes below the horizon", -60.0 * value_of("daylight.RISING_HEIGHT_DEG")),
    ("by more than {} on the log scale. Exact counts", "level_fit.CLASS_TOLERANCE"),
    ("Steps are cut at {} on the log scale", "shared_effects.LONGEST_STEP"),
    ("until the variances move by less than {}", "level_fit.COMPONENT_TOLERANCE"),
    ("Below {} sites with animals the result", "level_records.LevelSettings.lean_below_sites"),
    ("`λ` at most {}", "indices.MOST_OPEN"),
    ("mean ratio in {} draws", "level_records.LevelSettings.guard_draws"),
    ("draws)^{} at least 1", "level_records.LevelSettings.guard_power"),
    ("at least 1, at most {}", "guard.LARGEST_GUARD"),
    ("Where their mean is below {},", "guard.SMALLEST_DRAW_MEAN"),
    ("or their coefficient of variation above {},", "guard.LARGEST_DRAW_CV"),
    ("values from {} to 6", float(value_of("dispersion.COMPONENT_GRID")[0])),
    ("values from 0.04 to {},", float(value_of("dispersion.COMPONENT_GRID")[-1])),
    ("The surface is computed on {} × 9", len(value_of("dispersion.COMPONENT_GRID"))),
    ("The integral runs over {} values", len(value_of("dispersion.LEVEL_OFFSETS"))),
    ("values of `a`, from {} to 4.5", float(value_of("dispersion.LEVEL_OFFSETS")[0])),
    ("values of `a`, from −3.5 to {} ", float(value_of("dispersion.LEVEL_OFFSETS")[-1])),
    ("the smallest variance on the grid ({})", float(value_of("dispersion.COMPONENT_GRID")[0])),
    ("fewer than {} sites or fewer than 5 animals", "level_records.LevelSettings.thin_habitat_sites"),
    ("fewer than 5 sites or fewer than {} animals", "level_records.LevelSettings.thin_habitat_animals"),
    ("cut off at their {} quantile", "usual.CUT_SHARE"),
    ("weighs as much as {} returns", "usual.POOLED_RETURNS"),
    ("which weigh as much as {}.", "usual.PLANNING_RETURNS"),
    ("each counted half, and each count cut at {} times the expected", "screening_chances.MOST_OF_A_SIBLING"),
    ("below a probability of {} the rank is zero", "screening_records.ScreeningSettings.queue_from"),
    ("With fewer than {} animals in the period", "change_records.ChangeSettings.sparse_period_animals"),
    ("or fewer than {} in the base", "change_records.ChangeSettings.sparse_base_animals"),
    (
        "With fewer than {} effective gardens there is no interval",
        "change_records.ChangeSettings.fewest_effective_sites",
    ),
    ("rose by {} (standard error", "temperature.MAXIMUM.per_degree"),
    ("(standard error {}) for each degree of the daily maximum", "temperature.MAXIMUM.error"),
    ("and by {} (", "temperature.MINIMUM.per_degree"),
    ("({}) for each degree of the minimum", "temperature.MINIMUM.error"),
    ("groups that at least {} of the site-nights", "groups_seen_records.GroupsSeenSettings.answered_share"),
    ("Sites are drawn again {} times", "groups_seen_records.GroupsSeenSettings.bootstrap_draws"),
    ("A random {} % of returns", 100 * value_of("review_quality.SECOND_LOOK_SHARE")),
    ("the first {} bits of a SHA-256", "review_quality.HASH_BITS"),
    ("expectations by {}-node Gauss-Laguerre", "design_formula.LAGUERRE_NODES"),
    ("with fewer than {} sites on either side", "level_terms.FEWEST_SITES"),
    ("snapped to a grid of {} degrees", "geography.CELL_DEG"),
)


@pytest.mark.django_db
def test_anybody_may_read_the_methods() -> None:
    page = methods_page()
    assert METHOD_VERSION in page
    assert 'href="/codebook/"' in page


@pytest.mark.django_db
def test_the_page_has_every_section_with_its_number_its_anchor_and_a_line_in_the_contents() -> None:
    page = methods_page()
    for number, title in enumerate(SECTIONS, start=1):
        assert f'<h2 id="section-{number}">{number} {title}</h2>' in page
        assert f'href="#section-{number}"' in page
    assert page.count("<h2 ") == len(SECTIONS)
    assert page.count("<h1") == 1


@pytest.mark.django_db
def test_a_section_shows_its_title_and_what_it_is_in_short_and_folds_the_rest() -> None:
    article = methods_page().split('<article class="methods">')[1].split("</article>")[0]
    shown = re.sub(r"<details.*?</details>", "", article, flags=re.DOTALL)
    assert article.count("<details ") == article.count("</details>") == len(SECTIONS)
    assert shown.count("<h2 ") == shown.count('<div class="short">') == len(SECTIONS)
    assert "<pre>" not in shown
    assert "<h3" not in shown
    for number in range(1, len(SECTIONS) + 1):
        assert f'data-whole="section-{number}"' in article


@pytest.mark.django_db
def test_every_address_within_the_page_leads_to_one_place() -> None:
    page = methods_page()
    anchors = re.findall(r' id="([^"]+)"', page)
    assert len(anchors) == len(set(anchors))
    assert set(re.findall(r'href="#([^"]+)"', page)) <= set(anchors)


@pytest.mark.django_db(transaction=True)
def test_every_footer_the_codebook_and_the_figures_lead_to_the_methods() -> None:
    make_season()
    assert 'href="/methods/"' in Client().get("/").content.decode()
    assert Client().get("/codebook/").content.decode().count('href="/methods/"') == 2
    assert 'href="/methods/#section-5"' in Client().get("/seasons/test-2026/").content.decode()


def test_every_section_begins_in_plain_words() -> None:
    parts = re.split(r"(?m)^## ", SOURCE)[1:]
    assert len(parts) == len(SECTIONS)
    for part in parts:
        assert part.split("\n\n")[1].startswith("> **In short.** "), part[:40]


def test_no_table_waits_to_be_filled_in() -> None:
    assert re.findall(r"<!-- table: \w+", SOURCE) == []


def test_raw_html_in_the_text_is_shown_and_not_obeyed() -> None:
    html = set_text("## 1 One\n\n<script>alert(1)</script>\n\n[x](javascript:alert(1)) <b>b</b>").html
    assert "<script" not in html
    assert "<b>" not in html
    assert "&lt;script&gt;" in html
    assert 'href="javascript' not in html


def test_what_our_policy_forbids_is_not_in_the_page() -> None:
    """No style of an element's own (Content-Security-Policy: style-src 'self')."""
    assert "style=" not in methods_text().html
    assert "<script" not in methods_text().html


def test_whatever_may_be_wide_scrolls_in_a_box_of_its_own_that_keys_can_reach() -> None:
    html = methods_text().html
    boxes = re.findall(r'<div class="sheet[^"]*" tabindex="0" role="group" aria-label="([^"]+)">', html)
    assert len(boxes) == html.count("<table>") + html.count("<pre>")
    assert len(boxes) > 30
    assert all(re.match(r"(Table|Equations) in (section \d+(\.\d+)?|the symbols)$", label) for label in boxes)


def test_a_long_name_may_break_behind_its_dots_and_stays_escaped() -> None:
    html = set_text("## 7 T\n\n`level_records.<b>` `file.py`").html
    assert "<code>file.py</code>" in html
    assert "<code>level_<wbr>records.&lt;b&gt;</code>" in html


def test_a_number_in_a_table_is_set_to_the_right_without_a_style() -> None:
    html = set_text("## 7 T\n\n| a | b |\n| --- | ---: |\n| c | 1 |\n").html
    assert '<th scope="col">a</th>' in html
    assert '<td class="number">1</td>' in html


def test_the_text_is_set_once_in_a_process() -> None:
    assert methods_text() is methods_text()


@pytest.mark.parametrize("row", CONSTANTS, ids=[row[2] for row in CONSTANTS])
def test_a_constant_in_a_table_is_that_of_the_code(row: tuple[str, str, str]) -> None:
    _, value, name = row
    assert float(value.replace("−", "-")) == pytest.approx(float(value_of(name)), rel=1e-12)


def test_every_row_that_names_a_constant_is_compared() -> None:
    assert len(CONSTANTS) == len(re.findall(r"(?m)^\|.*\| `\w+(?:\.\w+)+` \|$", SOURCE))
    assert len(CONSTANTS) > 45


def test_a_changed_constant_would_be_found() -> None:
    assert value_of("level_records.LevelSettings.gate_sites") != 11
    with pytest.raises(AttributeError):
        value_of("effort.HOURS_PER_NIGHT")


@pytest.mark.parametrize(("phrase", "value"), PHRASES, ids=[phrase for phrase, _ in PHRASES])
def test_a_number_in_a_sentence_is_that_of_the_code(phrase: str, value: str | float) -> None:
    """The value is that of the code; the phrase with it filled in must stand in the text."""
    number = value_of(value) if isinstance(value, str) else value
    assert phrase.format(f"{number:g}".replace("-", "−")) in TEXT


def test_every_module_of_the_methods_is_named_in_the_text() -> None:
    modules = {file.name for file in FOLDER.glob("*.py")} - {"__init__.py"}
    assert sorted(name for name in modules if f"`{name}`" not in TEXT) == []


def test_every_module_that_the_text_names_is_there() -> None:
    named = set(re.findall(r"`(\w+\.py)`", SOURCE))
    assert sorted(name for name in named if not (FOLDER / name).exists()) == []


def test_words_that_a_catch_does_not_carry_stand_only_in_titles_of_the_literature() -> None:
    """A catch is activity-density; the brief's words, and none that say how many animals live somewhere."""
    own, _ = SOURCE.split("## 17 References")
    own = re.sub(r"`\w+\.py`", "", own)  # names of files are no words about a catch
    assert not re.search(r"abundance|population|biodiversity|per m²|per square", own, re.IGNORECASE)


def references() -> list[str]:
    return re.findall(r"(?m)^- .*$", SOURCE.split("## 17 References")[1])


def test_every_reference_is_cited_and_says_how_far_it_was_read() -> None:
    own = SOURCE.split("## 17 References")[0]
    for line in references():
        author, year = line[2:].split(" ")[0].strip(","), re.findall(r"\((\d{4})\)", line)[0]
        assert re.search(rf"{re.escape(author)}.{{0,40}}{year}", own), line
        assert re.search(r"From memory\.$|Opened|not opened\.$", line), line


def test_whoever_is_cited_stands_among_the_references() -> None:
    own = SOURCE.split("## 17 References")[0]
    cited = set(re.findall(r"([A-Z][\w'\-]+)(?: and others|(?:, [A-Z]\w+)* and [A-Z]\w+)? \(?((?:19|20)\d\d)\b", own))
    assert len(cited) > 40
    for name, year in cited:
        surname = name.removesuffix("'s")
        assert any(re.search(rf"\b{re.escape(surname)}\b.*\({year}\)", line) for line in references()), (name, year)

"""The front page: for whom the count is, what is on, and how to set a trap safely."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.factories import make_account, make_coordinator, make_season, make_trap
from tests.surveys.web.asking_pages import client_of, open_trap
from tests.surveys.web.figures import make_run

pytestmark = pytest.mark.django_db(transaction=True)


def home(client: Client | None = None) -> str:
    answer = (client or Client()).get("/")
    assert answer.status_code == 200
    return answer.content.decode()


def test_the_page_stands_before_there_is_a_season() -> None:
    assert "Who walks in your garden at night?" in home()


def test_the_page_names_the_season_its_regions_and_its_weeks() -> None:
    make_season()
    page = home()
    for words in (
        "Test count 2026",
        "Eastmark",
        "Westmark",
        "1 April to 31 May",
        "/seasons/test-2026/",
        "No figures yet",
    ):
        assert words in page


def test_the_page_says_on_how_many_returns_the_figures_stand() -> None:
    make_run(make_season())
    assert "The figures stand on 31 returns, up to the night of 4 May 2026." in home()


@pytest.mark.parametrize(
    "caution",
    [  # From the project's brief: safety, welfare and children.
        "Local law, codes, school rules and licensed practice come first.",
        "hand trowel",
        "Stop at anything hard",
        "antifreeze",
        "Never longer than 24 hours",
        "within the hour",
        "ticks",
        "allergies",
        "wash hands",
        "Ask the owner of the ground",
        "No child's name",
    ],
)
def test_each_caution_of_the_brief_is_on_the_page(caution: str) -> None:
    assert caution.replace("'", "&#x27;") in home() or caution in home()


@pytest.mark.parametrize("word", ["abundance", "population", "per m²", "invalid", "please", "oops"])
def test_the_page_never_uses_a_word_that_the_figures_do_not_bear(word: str) -> None:
    make_run(make_season())
    assert word not in home().lower()


def test_the_band_shows_each_visitor_the_pages_that_are_theirs() -> None:
    sender, coordinator = Client(), Client()
    sender.force_login(make_account())
    make_season()
    coordinator.force_login(make_coordinator())
    pages = {"stranger": home(), "sender": home(sender), "coordinator": home(coordinator)}
    assert [name for name, page in pages.items() if "My returns" in page] == ["sender", "coordinator"]
    assert [name for name, page in pages.items() if ">Queue<" in page] == ["coordinator"]
    assert [name for name, page in pages.items() if "Sign in" in page] == ["stranger"]
    assert [name for name, page in pages.items() if "Join the count" in page] == ["stranger"]
    assert [name for name, page in pages.items() if "Empty a trap" in page] == ["sender", "coordinator"]


def test_whoever_has_an_open_trap_reads_of_it_and_strangers_cost_no_query() -> None:
    make_season()
    trap = make_trap()
    client = client_of(trap)
    assert "A trap of yours is open." not in home(client)
    open_trap(trap)
    assert "A trap of yours is open. Animals may sit in it now." in home(client)
    with CaptureQueriesContext(connection) as asked:
        assert "A trap of yours is open." not in home()
    assert not any("surveys_opening" in one["sql"] for one in asked)


def test_no_page_carries_a_style_or_a_script_that_the_policy_would_refuse() -> None:
    make_season()
    page = home()
    assert not re.search(r"<style|<script|\sstyle=|\son[a-z]+=", page)


def test_no_template_or_drawing_carries_a_style_or_a_script() -> None:
    root = Path(__file__).resolve().parents[3] / "surveys"
    files = [*root.glob("templates/**/*.html"), *root.glob("static/**/*.svg")]
    assert len(files) > 10
    module = r" type=\"module\"\s+src=\"{% static 'surveys/js/\w+\.js' %}\"></script>"
    # A data block is run by no browser (HTML Living Standard, 4.12.1); what stands in it is made by json_block alone.
    data_block = r" type=\"application/ld\+json\">{{ json_ld }}</script>"
    own = rf"<script(?!{module}|{data_block})"
    found = [str(file) for file in files if re.search(rf"<style|{own}|\sstyle=|\son[a-z]+=", file.read_text())]
    assert found == []


#: Text and ground of each look, with the least that WCAG 2.2 asks for: 4.5 for text (1.4.3), 3 for controls (1.4.11).
PAIRS = [
    ("ink", "paper", 4.5), ("ink", "card", 4.5), ("soft", "paper", 4.5), ("soft", "card", 4.5), ("link", "paper", 4.5),
    ("link", "card", 4.5), ("fault", "paper", 4.5), ("fault", "card", 4.5), ("fault", "fault-paper", 4.5),
    ("soil-ink", "soil", 4.5), ("soil-soft", "soil", 4.5), ("soil-ink", "push", 4.5), ("ink", "field", 4.5),
    ("edge", "field", 3.0), ("edge", "paper", 3.0), ("edge", "card", 3.0), ("focus", "paper", 3.0),
    ("focus", "card", 3.0),
    ("lantern", "soil", 3.0), ("moss", "paper", 3.0),
]  # fmt: skip


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize(("text", "ground", "least"), PAIRS)
def test_every_pair_of_colours_is_told_apart(look: str, text: str, ground: str, least: float) -> None:
    colours = _colours("base.css", look)
    assert contrast(colours[text], colours[ground]) >= least


@pytest.mark.parametrize(("shade", "ink"), [(1, "ink"), (2, "ink"), (3, "ink"), (4, "pale"), (5, "pale")])
def test_the_figure_printed_on_each_shade_of_the_map_can_be_read(shade: int, ink: str) -> None:
    colours = _colours("season.css", "light")
    assert contrast(colours[f"map-{ink}"], colours[f"shade-{shade}"]) >= 4.5


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours. Reference: WCAG 2.2, definition of contrast ratio."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_ruler_itself_gives_the_ratios_that_the_standard_names() -> None:
    # Black on white is 21 to 1 by the definition; #767676 on white is known as the palest grey that passes 4.5.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


def _luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _colours(name: str, look: str) -> dict[str, str]:
    css = (Path(__file__).resolve().parents[3] / "surveys/static/surveys/css" / name).read_text()
    first, *rest = css.split("prefers-color-scheme: dark")
    found = dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", first))
    return {**found, **dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", rest[0]))} if look == "dark" else found

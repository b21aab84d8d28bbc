"""Charts of one return: drawing, sentence and table say the same, with numbers counted by hand."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date

import pytest
from django.template.loader import render_to_string

from surveys.web.svg_charts import Counted, NightCount, count_among_comparable, site_history

#: 40 + 33 + 20 + 11 + 9 = 113 traps; the 57th of them in order has 1.
FEW = {0: 40, 1: 33, 2: 20, 3: 11, 4: 9}


def words_of(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def test_the_sent_count_is_marked_by_words_a_pointer_and_a_bar_of_its_own() -> None:
    chart = count_among_comparable(group="Woodlice", traps_by_count=FEW, sent=Counted(4, 4))
    assert "sent: 4" in words_of(chart.svg)
    assert chart.svg.count('class="fill-marked stroke-words"') == 1
    assert chart.title == "Woodlice in comparable traps"
    assert chart.sentence == "This return has 4. 9 of 113 comparable traps had as many or more. The middle one had 1."
    assert chart.rows == (("0", "40"), ("1", "33"), ("2", "20"), ("3", "11"), ("4 (this return)", "9"))


def test_large_counts_stand_in_classes_that_double() -> None:
    chart = count_among_comparable(group="Ants", traps_by_count={0: 5, 1: 1, 3: 2, 8: 1, 15: 1}, sent=Counted(60, 60))
    assert chart.rows == (
        ("0", "5"), ("1", "1"), ("2–3", "2"), ("4–7", "0"), ("8–15", "2"), ("16–31", "0"), ("32–63 (this return)", "0"),
    )  # fmt: skip
    assert chart.sentence.startswith("This return has 60. None of 10 comparable traps had as many or more.")


SENT: Mapping[str, tuple[Counted, list[str], str]] = {
    "a class over several bars": (Counted(4, 7), ["4", "5", "6", "7"], "4 to 7"),
    "a class open above": (Counted(128, None), ["128–255"], "128 or more"),
    "none": (Counted(0, 0), ["0"], "0"),
}


@pytest.mark.parametrize(("sent", "marked", "words"), SENT.values(), ids=SENT.keys())
def test_whatever_was_answered_is_marked(sent: Counted, marked: list[str], words: str) -> None:
    chart = count_among_comparable(group="Ants", traps_by_count=FEW, sent=sent)
    assert [row[0].split(" ")[0] for row in chart.rows if "this return" in row[0]] == marked
    assert f"sent: {words}" in words_of(chart.svg)
    assert chart.sentence.startswith(f"This return has {words}. ")


def test_without_a_comparable_trap_the_chart_says_so() -> None:
    chart = count_among_comparable(group="Ants", traps_by_count={}, sent=Counted(2, 2))
    assert chart.sentence == "There is no comparable trap yet."


def nights() -> list[NightCount]:
    return [
        NightCount(date(2026, 5, 9), 2, Counted(7, 7)),
        NightCount(date(2026, 5, 16), 1, Counted(40, 40), marked=True),
        NightCount(date(2026, 5, 2), 1, Counted(4, 7)),
    ]


def test_a_history_stands_in_the_order_of_nights_with_this_return_marked_by_its_shape() -> None:
    chart = site_history(group="Ants", nights=nights())
    assert chart.rows == (
        ("2 May 2026", "1", "4 to 7"), ("9 May 2026", "2", "7"), ("16 May 2026", "1", "40 (this return)"),
    )  # fmt: skip
    assert chart.sentence == "This return has 40. The 2 other returns of this site had at most 7 (9 May 2026)."
    assert "40" in words_of(chart.svg)
    shapes = re.findall(r'<path class="fill-(\w+) stroke-words"[^>]* d="([^"]+)"', chart.svg)
    others = {d for ink, d in shapes if ink == "usual"}
    own = {d for ink, d in shapes if ink == "marked"}
    assert len(others) == len(own) == 1
    assert "A" in next(iter(others)), "a circle is drawn by arcs"
    assert "A" not in next(iter(own)), "a diamond by lines"


def test_a_history_of_nothing_else_says_so() -> None:
    chart = site_history(group="Ants", nights=nights()[1:2])
    assert chart.sentence == "This return has 40. There is no other return of this site yet."


def test_a_long_history_shows_the_latest_nights() -> None:
    many = [NightCount(date(2026, month, day), 1, Counted(1, 1)) for month in (4, 5) for day in range(1, 11)]
    chart = site_history(group="Ants", nights=many)
    assert chart.rows[0][0] == "9 April 2026"
    assert len(chart.rows) == 12


def test_nights_of_two_years_say_their_year() -> None:
    two = [NightCount(date(year, 5, 2), 1, Counted(1, 1)) for year in (2025, 2026)]
    assert {"2 May 25", "2 May 26"} <= set(words_of(site_history(group="Ants", nights=two).svg))


def test_a_page_shows_drawing_sentence_and_table() -> None:
    chart = count_among_comparable(group="<b>Ants</b>", traps_by_count=FEW, sent=Counted(4, 4))
    page = render_to_string("includes/chart.html", {"chart": chart})
    assert "<svg" in page
    assert chart.sentence in page
    assert '<th scope="row">4 (this return)</th>' in page
    assert "<details>" in page
    assert "<b>" not in page

"""Charts of the overview and of a night, with numbers counted by hand."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest

from surveys.web.svg_desk_charts import Part, Shift, Week, parts_of_whole, returns_by_week, share_words, shifts


def words_of(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def test_weeks_name_the_fullest_and_list_them_all() -> None:
    monday = date(2026, 3, 30)
    weeks = [Week(monday + timedelta(days=7 * n), returns) for n, returns in enumerate((3, 0, 9, 4))]
    chart = returns_by_week(weeks=weeks)
    assert chart.sentence == "16 returns so far. The fullest week began on 13 April 2026, with 9."
    assert [row[1] for row in chart.rows] == ["3", "0", "9", "4"]
    assert "9" in words_of(chart.svg)


def test_parts_carry_their_words_and_shares_beside_the_bars() -> None:
    parts = [Part("to protocol", 30), Part("adjusted", 9), Part("off protocol", 1)]
    chart = parts_of_whole(title="Standing", parts=parts, whole=40, of_what="Share")
    assert chart.sentence == "To protocol: 30 of 40 returns, 75 %."
    # By hand: 30, 9 and 1 of 40 are 75, 22.5 and 2.5 percent; halves go to the even number.
    assert chart.rows == (("to protocol", "30", "75 %"), ("adjusted", "9", "22 %"), ("off protocol", "1", "2 %"))
    assert {"to protocol", "adjusted", "off protocol", "75 %", "22 %", "2 %"} <= set(words_of(chart.svg))


@pytest.mark.parametrize(
    ("part", "whole", "words"),
    [(0, 5, "0 %"), (1, 1000, "under 1 %"), (1, 3, "33 %"), (999, 1000, "over 99 %"), (5, 5, "100 %"), (0, 0, "0 %")],
)
def test_a_share_is_none_only_for_none_and_all_only_for_all(part: int, whole: int, words: str) -> None:
    assert share_words(part, whole) == words


def test_shifts_point_the_way_they_went() -> None:
    chart = shifts(rows=[Shift("Woodlice", 3.1, 2.4), Shift("Ants", 0.8, 1.6)])
    assert chart.sentence == "Woodlice moved most: from 3.1 to 2.4 animals per trap-night."
    assert chart.rows == (("Woodlice", "3.1", "2.4"), ("Ants", "0.80", "1.6"))
    assert {"3.1 → 2.4", "0.80 → 1.6"} <= set(words_of(chart.svg))
    arrows = re.findall(r'<path class="fill-marked stroke-words" transform="translate\(([\d.]+)', chart.svg)
    line = re.findall(r'<line class="stroke-usual" transform="translate\(([\d.]+)', chart.svg)
    assert len(arrows) == 2
    # 2.4 lies left of where it was and 1.6 right of it, on one scale.
    assert float(arrows[0]) < float(arrows[1])
    assert len(line) == 2


def test_a_scale_of_times_holds_every_arrow() -> None:
    chart = shifts(rows=[Shift("Ants", 0.001, 40.0), Shift("Bees", 5.0, 4.9)])
    width = float(chart.svg.split('viewBox="0 0 ')[1].split(" ")[0])
    arrows = [float(x) for x in re.findall(r'<path class="fill-marked[^"]*" transform="translate\(([\d.]+)', chart.svg)]
    assert all(0 < x < width for x in arrows)

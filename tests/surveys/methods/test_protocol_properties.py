"""Whatever is answered, and whatever is left out, every check speaks and nothing breaks."""

from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from surveys import vocabulary
from surveys.methods.protocol import CHECKS, check_protocol
from surveys.methods.records import Answer, Report
from surveys.vocabulary import Outcome, Standing
from tests.surveys.methods.protocol_return import LIMITS

WORDS = {
    "time_precision": vocabulary.TimePrecision,
    "material": vocabulary.CupMaterial,
    "wall": vocabulary.CupWall,
    "colour": vocabulary.CupColour,
    "nesting": vocabulary.CupNesting,
    "rim": vocabulary.Rim,
    "rim_gap": vocabulary.RimGap,
    "cover": vocabulary.Cover,
    "cover_kind": vocabulary.CoverKind,
    "guard": vocabulary.Guard,
    "refuge": vocabulary.Refuge,
    "liquid": vocabulary.Liquid,
    "drain_holes": vocabulary.DrainHoles,
    "hole_reuse": vocabulary.HoleReuse,
    "disturbance": vocabulary.Disturbance,
    "pesticide": vocabulary.YesNo,
    "looks": vocabulary.Looks,
    "ground_cover": vocabulary.GroundCover,
    "vegetation": vocabulary.VegetationHeight,
    "temp_source": vocabulary.TemperatureSource,
    "rain": vocabulary.Rain,
    "wind": vocabulary.Wind,
    "ground": vocabulary.GroundWetness,
    "trap_state": vocabulary.TrapState,
    "counted_in": vocabulary.CountedIn,
    "looked_for_all": vocabulary.YesNo,
    "remains_seen": vocabulary.YesNo,
    "vertebrate_seen": vocabulary.YesNo,
    "release": vocabulary.Release,
    "closing": vocabulary.Closing,
}
MEASURES = ("mouth_mm", "depth_mm", "cover_gap_mm", "cover_width_mm", "guard_hole_mm", "water_mm", "settled_h")
MEASURES += ("spacing_m", "temp_min_c", "temp_max_c")
INSTANTS = st.datetimes(datetime(1800, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))
COUNTS = st.none() | st.integers(0, 1000)
ANSWERS = st.builds(Answer, st.just("ants"), st.sampled_from(list(vocabulary.AnswerKind)), COUNTS, COUNTS)


@st.composite
def reports(draw):
    """Draw any return at all: right words, strange words, odd numbers, and blanks."""
    set_at = draw(INSTANTS)
    words = {
        name: st.none() | st.sampled_from(words.values()) | st.sampled_from(["", "unknown", "nonsense"])
        for name, words in WORDS.items()
    }
    measures = {name: st.none() | st.floats(-10, 300) | st.floats() for name in MEASURES}
    return Report(
        set_at=set_at,
        emptied_at=set_at + timedelta(hours=draw(st.floats(-1000, 1000) | st.floats(10, 60))),
        latitude=draw(st.floats(-90, 90)),
        longitude=draw(st.floats(-180, 180)),
        sent_at=draw(INSTANTS),
        season_opens=draw(INSTANTS),
        season_closes=draw(INSTANTS),
        habitat=draw(st.none() | st.text(max_size=5)),
        traps_open=draw(st.none() | st.integers(-5, 50)),
        traps_pooled=draw(st.integers(-5, 50)),
        answers=tuple(draw(st.lists(ANSWERS, max_size=3))),
        **draw(st.fixed_dictionaries({**words, **measures})),
    )


@settings(max_examples=150, deadline=None)
@given(reports())
def test_any_return_gets_every_check_once_or_more(report):
    result = check_protocol(report, LIMITS)
    assert list(dict.fromkeys(f.check for f in result.findings)) == list(CHECKS)
    assert all(f.sentence.strip() and "{" not in f.sentence for f in result.findings)
    outcomes = {f.outcome for f in result.findings}
    assert (result.standing == Standing.OFF_PROTOCOL) == (Outcome.OUT in outcomes)
    assert result.trap_nights is None or result.trap_nights > 0.0
    assert result.rim_ratio is None or 0.8 <= result.rim_ratio <= 100 / 75  # 60 to 100 mm over 75 mm


def test_the_words_of_every_closed_list_are_tried():
    assert set(WORDS) | set(MEASURES) | {"habitat", "traps_open"} == {
        name for name, field in Report.__dataclass_fields__.items() if field.default is None
    }

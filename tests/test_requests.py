"""Whatever a sheet asks to be printed can be made on the printer that the sheet was made for."""

import random

import pytest

from calib.errors import BadInput
from calib.interpret.solve import Context, solve_sheet
from calib.model.request import Request, fitting, joined, makeable, refusal, request_of
from calib.model.setting import SETTINGS, TOPICS
from patterns import registry
from patterns.feature import Kind
from patterns.spec import PrintSetup
from tests.readkit import sheet

ALL = sorted(registry.all_patterns() | registry.all_checks())
SMALL = PrintSetup(build_x_mm=120.0, build_y_mm=120.0, build_z_mm=120.0, hot_end_max_c=230.0)


def made_on(name, setup):
    request, _ = fitting(Request(pattern=name), setup)
    return registry.get(name).piece(request.typed, setup)


def readings(way, seed):
    """Readings of a kind of user: all at one end, scattered, or a few rows only."""
    rng = random.Random(seed)

    def read(f):
        if f.instrument == "photo" or (way == "few" and rng.random() < 0.6):
            return None
        if f.kind is Kind.SCORE:
            return {"high": 9.0, "low": 1.0}.get(way, float(rng.randrange(11)))
        if f.kind is Kind.PASS:
            worst = len(f.grades) - 1 if f.grades else 1
            return {"high": float(worst), "low": 0.0}.get(way, float(rng.randrange(worst + 1)))
        return f.nominal * rng.gauss(1.004, 0.004)

    return read


@pytest.mark.parametrize("setup", [SMALL, PrintSetup()], ids=["small", "usual"])
@pytest.mark.parametrize("name", ALL)
def test_every_request_can_be_made(name, setup):
    piece = made_on(name, setup)
    assert refusal(Request(pattern=name, parameters=piece.spec.as_text()), setup) == ""
    for seed, way in enumerate(("high", "low", "scattered", "few")):
        try:
            solution = solve_sheet(sheet(piece, readings(way, seed)), Context())
        except BadInput:
            continue  # too little, or nonsense: it says so and asks for nothing
        asked = [r for c in solution.corrections for r in c.requests]
        asked += [r for f in solution.findings for r in f.requests]
        for r in asked:
            assert refusal(r, setup) == "", (way, r)
            assert r.why
            assert "truebead" not in r.why
            assert set(r.settles) <= {*SETTINGS, *(t.name for t in TOPICS)}
        for c in solution.corrections:
            assert "truebead" not in c.reason
            assert not (c.requests and (c.fill or c.mend))


def test_every_topic_that_is_asked_for_has_one_piece_to_begin_with():
    first = {}
    for name in ALL:
        pattern = registry.get(name)
        assert set(pattern.first_for) | set(pattern.next_for) <= set(pattern.settles)
        assert set(pattern.settles) <= {t.name for t in TOPICS}
        assert {n for n, _ in pattern.shrinks} <= set(pattern.spec_type.params())
        for topic in pattern.first_for:
            first.setdefault(topic, []).append(name)
    assert {t.name for t in TOPICS if t.asked_for} <= set(first)
    assert all(len(names) == 1 for names in first.values()), first


def test_a_request_is_the_same_after_a_store_and_parameters_are_numbers():
    asked = Request(
        pattern="temperature-tower", parameters={"from_c": 190.0, "step_c": 2.5, "filament": "PLA"},
        why="look again", settles=("hot_end_c",),
    )  # fmt: skip
    assert request_of(asked.plain()) == asked
    assert asked.typed == {"from_c": "190", "step_c": "2.5", "filament": "PLA"}
    assert makeable([Request(pattern="temperature-tower", parameters={"from_c": 400.0, "to_c": 450.0})], SMALL) != ()  # fmt: skip
    other = Request(pattern="temperature-tower", parameters={"from_c": 180.0}, settles=("bed_c",))
    (one,) = joined([asked, other])
    assert (one.parameters["from_c"], one.settles) == (180.0, ("hot_end_c", "bed_c"))

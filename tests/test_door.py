"""The door as a user meets it: names, ratings that nobody knows, the same answer from every command."""

import ast
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.commands.common import say_safety
from calib.report.words import folded, table_lines
from calib.safety import SAFETY, cautions_due
from calib.workshop import open_workshop

COMMANDS = Path(__file__).parent.parent / "calib" / "commands"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    env = {"TRUEBEAD_STORE": str(tmp_path / "s.sqlite"), "COLUMNS": "200"}

    def run(line, code=0, columns="200"):
        result = CliRunner().invoke(build_app(), line.split(), env={**env, "COLUMNS": columns})
        assert result.exit_code == code, result.output
        return result.output

    run.folder, run.store = tmp_path, env["TRUEBEAD_STORE"]
    return run


@pytest.fixture
def shop(run):
    run("add printer lantern --build 120x120x120")
    run("add nozzle brass --printer lantern --size 0.4")
    run("add spool white-1 --type PLA")
    return run


def fill(run, folder="dimensional-cube", scale=1.003, grown=0.0):
    sides = {"outside": 1, "inside": -1}
    with open_workshop(run.store) as workshop:
        for q in workshop.read(run.folder / folder).questions:
            feature = q.cell.feature
            value = feature.nominal * scale + sides.get(str(feature.kind), 0) * grown
            workshop.enter(run.folder / folder, q.feature, f"{value:.2f}", q.repeat)


# --- one way through ----------------------------------------------------------------------------


def test_commands_are_small_and_parse_call_and_print():
    lines = sum(len(p.read_text(encoding="utf-8").splitlines()) for p in COMMANDS.glob("*.py"))
    assert lines < 2000
    for path in COMMANDS.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                assert node.end_lineno - node.lineno + 1 <= 60, (path.name, node.name)
            if isinstance(node, ast.ImportFrom):
                assert node.module not in ("math", "numpy"), path.name
                assert not (node.module or "").startswith(("calib.store", "calib.fit")) or (
                    path.name == "store.py"
                ), (path.name, node.module)


def test_solve_and_keep_say_the_same_with_the_users_own_caliper(shop):
    shop("sheet dimensional-cube --out dimensional-cube")
    fill(shop, scale=1.0008)
    shop("add instrument coarse --kind caliper --resolution 0.1 --mpe 0.15 --repeatability 0.08")
    solved = json.loads(answer(shop, "solve dimensional-cube/sheet.csv --json"))
    kept = json.loads(answer(shop, "keep dimensional-cube/sheet.csv --json"))
    one = [c for f in solved["findings"] for c in f["corrections"]]
    other = kept[0]["corrections"]
    assert [(c["setting"], c["new"], c["u_new"], c["verdict"]) for c in one] == [
        (c["setting"], c["new"], c["u_new"], c["verdict"]) for c in other
    ]


def answer(shop, line):
    env = {"TRUEBEAD_STORE": shop.store}
    result = CliRunner().invoke(build_app(), line.split(), env=env)
    assert result.exit_code in (0, 1), result.output
    return result.stdout


def test_keep_takes_what_solve_takes(shop):
    shop("sheet dimensional-cube")
    fill(shop)
    said = answer(
        shop,
        "keep dimensional-cube/sheet.csv --accept --now scale_x_percent=100.5 --tolerance-mm 0.4"
        " --part-mm 200 --json",
    )
    found = {c["setting"]: c for c in json.loads(said)[0]["corrections"]}
    assert found["scale_x_percent"]["old"] == 100.5


def test_keep_goes_by_the_names_of_the_sheet(shop):
    shop("sheet dimensional-cube")
    fill(shop)
    shop("add nozzle b06 --printer lantern --size 0.6")
    shop("add spool white-2 --type PLA")
    assert "lantern / brass / white-1" in answer(shop, "keep dimensional-cube/sheet.csv")


def test_an_events_hint_names_all_that_it_needs(shop):
    shop("add nozzle b06 --printer lantern --size 0.6")
    said = shop("event nozzle-changed --nozzle b06")
    hint = re.search(r"truebead (next.*)", said)[1]
    assert hint == "next --nozzle b06"
    shop(hint)


def test_a_hint_leaves_out_what_there_is_only_one_of(shop):
    assert "   truebead make bed-patches\n" in shop("next")
    assert "--printer lantern --nozzle brass --spool white-1" in shop("next --json")
    shop("add spool white-2 --type PLA")
    assert "truebead make bed-patches --spool white-2" in shop("next --spool white-2")


def test_the_nozzle_that_was_fitted_last_is_meant_where_none_is_named(shop):
    shop("add nozzle b06 --printer lantern --size 0.6")
    assert "which nozzle? There are b06, brass" in shop("next", 2)
    event = re.search(r"--undo (\w+)", shop("event nozzle-changed --nozzle b06"))[1]
    for command in ("next", "profile show"):
        assert "lantern / b06 (fitted last) / white-1" in shop(command)
    assert "For the nozzle b06, which was fitted last." in shop("make wall-box")
    assert "# setup.nozzle_mm: 0.6" in (shop.folder / "wall-box" / "sheet.csv").read_text()
    assert "lantern / brass / white-1" in shop("next --nozzle brass")
    assert "which nozzle?" in shop(
        "event nozzle-changed", 2
    )  # which one was fitted is the question
    shop(f"event --undo {event}")
    assert "which nozzle?" in shop("next", 2)
    shop("event nozzle-changed --nozzle b06")
    shop("retire nozzle b06")
    assert "lantern / brass / white-1" in shop("next")


# --- what nobody knows yet ----------------------------------------------------------------------


def test_a_rating_that_nobody_knows_is_taken_low_and_can_be_told_later(run):
    said = run("add printer lantern --build 220x220x250")
    assert "hot end up to 240 degC" in said
    assert "Nobody has told the hot end's rating" in said
    assert "--replace --hot-end-max" in said
    told = run("add printer lantern --replace --hot-end-max 280")
    assert "the hot end's rating" not in told
    assert "the bed's rating" in told
    # What was assumed may be what is true: told is told.
    assert "Nobody has told" not in run("add printer lantern --replace --bed-max 80")


def test_a_tower_says_that_the_rating_is_assumed(shop):
    said = shop("sheet temperature-tower")
    assert "Nobody has told the hot end's rating: 240 degC is taken" in said
    assert "Nobody has told" not in shop("sheet dimensional-cube")


def test_a_bed_without_a_heater(shop):
    shop("add printer lantern --replace --bed-max 0")
    sliced = shop.folder / "lamp.gcode"
    sliced.write_text("G28\nG90\nM83\nM140 S0\nG1 X60 Y60 Z1\nG1 X70 Y60 E1\n")
    shop("apply lamp.gcode --scale-x 100.1 --printer lantern")
    sliced.write_text("G28\nG90\nM83\nM140 S60\nG1 X60 Y60 Z1\nG1 X70 Y60 E1\n")
    assert "bed" in shop("apply lamp.gcode --scale-x 100.1 --printer lantern --force", code=2)


def test_a_limit_on_a_command_only_tightens(shop):
    sliced = shop.folder / "lamp.gcode"
    sliced.write_text("G28\nG90\nM83\nM104 S255\nG1 X60 Y60 Z1\nG1 X70 Y60 E1\n")
    said = shop("apply lamp.gcode --scale-x 100.1 --printer lantern --hot-end-max 300", code=2)
    assert "255" in said


# --- overview, rename, retire, copy -------------------------------------------------------------


def test_a_store_without_a_printer_says_what_to_add(run):
    run("add spool white-1 --type PLA")
    assert run("overview").splitlines()[-1].startswith("No printer yet. Add one: ")


def test_a_terminal_of_no_width_is_told_all_the_same(shop):
    for columns in ("0", "1", "20"):
        said = shop("overview", columns=columns)
        assert "white-1" in said
        assert "unknown" in said


def test_overview_rename_retire_copy(shop):
    shop("add spool rail --type PETG --colour black")
    assert re.search(r"rail +PETG +black +unknown", shop("overview"))
    assert "white-1" not in shop("overview petg")
    assert "called snow now" in shop("rename spool white-1 snow --by Ada")
    shop("retire spool rail")
    assert "rail" not in shop("overview")
    shop("retire spool rail --back")
    shop("copy printer lantern beacon")
    assert "beacon" in shop("overview")
    data = json.loads(answer(shop, "overview --json"))
    assert data["printers"] == ["beacon", "lantern"]


def test_who_did_it_is_the_systems_user_unless_said(shop):
    shop("rename spool white-1 snow --by Ada")
    shop("rename spool snow ice")
    with open_workshop(shop.store) as workshop:
        import getpass

        assert [c.by for c in workshop.changes()[:2]] == [getpass.getuser(), "Ada"]


# --- at the terminal ----------------------------------------------------------------------------


def test_tables_fold_between_words_at_60_columns():
    columns = ("what it is", "setting", "new>", "unit")
    rows = [
        ("motor steps per mm of travel along X", "steps_x_per_mm", "80.12", "steps/mm"),
        ("size of the model along Y", "scale_y_percent", "100.3", "%"),
    ]
    lines = table_lines(columns, rows, 60)
    assert max(map(len, lines)) <= 60
    words = {w for row in rows for cell in row for w in cell.split()}
    said = {w.strip(";") for line in lines for w in line.split()}
    assert words <= said
    assert len(table_lines(columns, rows, 120)) == 3


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("add printer", "add printer needs NAME; for example: truebead add printer lantern --build 220x220x250"),
        ("nxt", "no such command 'nxt'. Did you mean 'next'?"),
        ("next --within abc", "--within: 'abc' is not a number; write one such as 0.4"),
        ("mat --number x", "--number: not a whole number"),
        ("list --filament", "Option '--filament' requires an argument"),
        ("rename spool white-1", "rename needs NEW; for example: truebead rename spool white-1 snow"),
        ("make cube", "did you mean dimensional-cube?"),
        ("make step-gauge --set pitch_mm", "'pitch_mm' is not name=value; write --set pitch_mm=40"),
        ("retire spool black", "known: white-1; to add it: truebead add spool black --type PLA"),
        ("add instrument c --kind ruler", "a ruler is a caliper with --resolution 0.5"),
    ],
)  # fmt: skip
def test_a_slip_is_answered_on_one_line_with_how_to_write_it(shop, line, said):
    answer = shop(line, 2)
    assert said in " ".join(answer.split())
    assert answer.startswith("truebead: ")
    assert answer.count("\n") == 1


def test_help_shows_no_types_of_python(shop):
    for line in (
        "next",
        "make",
        "read",
        "photo",
        "mat",
        "add printer",
        "profile history",
        "rename",
    ):
        assert not re.search(r"<\w+(\[| range)?", shop(f"{line} --help")), line


def test_each_thing_told_says_what_is_told_next(run):
    assert "Next: truebead add nozzle NAME --size 0.4" in run(
        "add printer lantern --build 220x220x250"
    )
    assert "Next: truebead add spool NAME --type PLA" in run("add nozzle brass --size 0.4")
    assert "What to print: truebead next\n" in run("add spool white-1 --type PLA")
    said = run("add printer beacon --build 220x220x250")
    assert "Next: truebead add nozzle NAME --size 0.4 --printer beacon" in said


def test_what_a_check_without_plastic_found_is_to_be_set_too(run):
    run("add printer lantern --build 220x220x250 --steps-e 93")
    run("make extruder-feed")
    with open_workshop(run.store) as workshop:
        for q in workshop.read(run.folder / "extruder-feed").questions:
            workshop.enter(run.folder / "extruder-feed", q.feature, "97.5", q.repeat)
    said = run("keep extruder-feed")
    assert "To be set in the printer" in said
    assert "truebead values --in-printer steps_e_per_mm" in said


def test_a_fold_tears_no_number_from_its_unit_and_no_command():
    line = (
        "   so: truebead values --spool a --in-printer flow_percent, then 19 g, ±0.05 % and 5 mm."
    )
    for width in range(20, 90):
        parts = folded(line, width)
        assert " ".join(" ".join(parts).split()) == line.strip()
        text = "\n".join(parts)
        for whole in (
            "truebead values --spool a --in-printer flow_percent",
            "19 g",
            "0.05 %",
            "5 mm",
        ):
            assert whole in text, (width, text)
        assert all(len(p) <= width or "truebead" in p for p in parts)


CAUTION = "Hot end and bed burn"
VALUES_OR_FILES = [
    "make bed-patches", "make bed-patches --force --json", "sheet dimensional-cube --out again",
    "solve dimensional-cube/sheet.csv", "solve dimensional-cube/sheet.csv --json",
    "keep dimensional-cube/sheet.csv", "profile show", "profile show --json", "next", "next --json",
    "values --csv v.csv --card v.html", "values --json", "apply a.gcode --json",
    "apply a.gcode --schedule s.csv --out b.gcode",
]  # fmt: skip


@pytest.mark.kernel
def test_cautions_come_once_wherever_values_or_files_to_run_come_out(shop, monkeypatch):
    (shop.folder / "a.gcode").write_text("G28\nG90\nM83\nG1 X60 Y60 Z0.2\nG1 X70 Y60 E1\n")
    (shop.folder / "s.csv").write_text("z_from_mm,z_to_mm,setting,value\n0,2,hot_end_c,210\n")
    shop("sheet dimensional-cube")
    fill(shop, grown=0.2)
    for number, line in enumerate(VALUES_OR_FILES):
        monkeypatch.setenv("TRUEBEAD_STATE", str(shop.folder / f"state-{number}"))
        done = CliRunner().invoke(build_app(), line.split(), env={"TRUEBEAD_STORE": shop.store})
        assert done.exit_code in (0, 1), done.output
        found = (done.stdout.count(CAUTION), done.stderr.count(CAUTION))
        assert found == ((0, 1) if "--json" in line else (1, 0)), line
    shop("make lag-line")
    for made in ("v.html", "v.csv", "b.gcode", "bed-patches/sheet.html", "lag-line/schedule.csv"):
        assert CAUTION in (shop.folder / made).read_text(encoding="utf-8"), made


def test_cautions_come_once_per_session_of_work(shop):
    assert CAUTION not in shop("make --help")
    said = [shop("next"), shop("next")]
    assert [CAUTION in text for text in said] == [True, False]


def test_cautions_that_stand_in_an_answer_are_not_said_again(capsys):
    say_safety(said=f"Print hotter: 215 degC. {SAFETY}")
    assert capsys.readouterr().out == ""
    say_safety(said="Print hotter: 215 degC.")
    assert capsys.readouterr().out == f"{SAFETY}\n"


def test_what_a_script_was_shown_does_not_count_for_who_sits_at_the_terminal():
    seen = [cautions_due(to_terminal=there) for there in (False, False, True, True)]
    assert seen == [True, False, True, False]


def test_read_asks_once_what_the_piece_was_printed_with(shop):
    shop("sheet dimensional-cube")
    fill(shop, grown=0.1)
    answer(shop, "keep dimensional-cube/sheet.csv")
    shop("sheet dimensional-cube --out second")
    text = (shop.folder / "second" / "sheet.csv").read_text(encoding="utf-8")
    assert "# before." in text
    env = {"TRUEBEAD_STORE": shop.store}
    said = CliRunner().invoke(
        build_app(), ["read", "second/sheet.csv"], env=env, input="nonsense\nas before\nq\n"
    )
    assert "This piece was to be printed with: " in said.output
    assert "does not say what was set" in said.output
    text = (shop.folder / "second" / "sheet.csv").read_text(encoding="utf-8")
    assert "# printed_with: as before" in text


def test_a_schedule_keeps_below_the_rating_of_the_stores_only_printer(shop):
    (shop.folder / "tower.gcode").write_text("G28\nG90\nM83\nG1 X60 Y60 Z0.2\nG1 X70 Y60 E1\n")
    (shop.folder / "s.csv").write_text("z_from_mm,z_to_mm,setting,value\n0,2,hot_end_c,250\n")
    said = shop("apply tower.gcode --schedule s.csv", code=2)
    assert "250" in said
    assert "240" in said


def test_the_shell_completes_the_users_own_names(shop):
    from calib.workshop.completing import events, names, patterns, settings

    class Context:
        params = {"store": shop.store}  # noqa: RUF012 - as the command line gives it

    assert names("printer")(Context, "") == ["lantern"]
    assert names("spool")(Context, "wh") == ["white-1"]
    assert names("nozzle")(Context, "x") == []
    assert "step-gauge" in patterns(Context, "step")
    assert "moved" in events(Context, "m")
    assert "scale_x_percent" in settings(Context, "scale")
    Context.params = {"store": "mysql://nowhere"}
    assert names("printer")(Context, "") == []

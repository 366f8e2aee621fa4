"""A sheet as rows of text: one cell changed, all else as it was."""

from hypothesis import given
from hypothesis import strategies as st

from calib.readings import read_table, sheet_csv
from patterns import registry
from patterns.spec import PrintSetup

PIECE = registry.get("dimensional-cube").piece({}, PrintSetup())


@given(
    st.sampled_from([",", ";", "\t"]),
    st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=20),
    st.integers(0, 20),
    st.integers(1, 3),
)
def test_a_changed_cell_is_read_back_and_nothing_else_changes(
    separator: str, text: str, row: int, reading: int
) -> None:
    table = read_table(
        sheet_csv(
            PIECE, "c1", "2026-03-12", separator=separator, repeats=3, keys={"spool": "a, b; c"}
        )
    )
    line, column = table.rows[row].line, table.column(f"reading {reading}")
    changed = table.with_cell(line, column, text)
    again = read_table(changed.text())
    assert again == changed
    assert again.rows[row].cell(column) == text
    assert again.with_cell(line, column, "") == table


def test_a_cell_beyond_the_end_of_a_short_row_fills_the_row_up() -> None:
    table = read_table("feature,reading 1,reading 2\nx_outside_low\n")
    assert table.with_cell(2, 2, "39.97").rows[0].cells == ("x_outside_low", "", "39.97")

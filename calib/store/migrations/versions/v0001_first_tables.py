"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "instruments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("resolution", sa.Double(), nullable=False),
        sa.Column("mpe", sa.Double(), nullable=False),
        sa.Column("repeatability", sa.Double(), nullable=False),
        sa.Column("jaw_mpe", sa.Double(), nullable=False),
        sa.Column("reach", sa.Double(), nullable=False),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
        sa.UniqueConstraint("uid"),
    )
    op.create_table(
        "materials",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "printers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("build_x_mm", sa.Double(), nullable=False),
        sa.Column("build_y_mm", sa.Double(), nullable=False),
        sa.Column("build_z_mm", sa.Double(), nullable=False),
        sa.Column("hot_end_max_c", sa.Double(), nullable=False),
        sa.Column("bed_max_c", sa.Double(), nullable=False),
        sa.Column("layer_mm", sa.Double(), nullable=False),
        sa.Column("filament_mm", sa.Double(), nullable=False),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
        sa.UniqueConstraint("uid"),
    )
    op.create_table(
        "axes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=False),
        sa.Column("axis", sa.String(), nullable=False),
        sa.Column("steps_per_mm", sa.Double(), nullable=True),
        sa.Column("motor_steps", sa.Integer(), nullable=True),
        sa.Column("microsteps", sa.Integer(), nullable=True),
        sa.Column("belt_pitch_mm", sa.Double(), nullable=True),
        sa.Column("pulley_teeth", sa.Integer(), nullable=True),
        sa.Column("screw_lead_mm", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["printer_id"],
            ["printers.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("printer_id", "axis"),
    )
    op.create_table(
        "nozzles",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=False),
        sa.Column("bore_mm", sa.Double(), nullable=False),
        sa.Column("line_mm", sa.Double(), nullable=False),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["printer_id"],
            ["printers.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("printer_id", "name"),
        sa.UniqueConstraint("uid"),
    )
    op.create_table(
        "spools",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("material_id", sa.Integer(), nullable=False),
        sa.Column("colour", sa.String(), nullable=False),
        sa.Column("price", sa.Double(), nullable=True),
        sa.Column("grams", sa.Double(), nullable=True),
        sa.Column("density_g_cm3", sa.Double(), nullable=True),
        sa.Column("filament_mm", sa.Double(), nullable=True),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["material_id"],
            ["materials.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
        sa.UniqueConstraint("uid"),
    )
    op.create_index("ix_spools_material_id", "spools", ["material_id"])

    op.create_table(
        "events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=True),
        sa.Column("nozzle_id", sa.Integer(), nullable=True),
        sa.Column("spool_id", sa.Integer(), nullable=True),
        sa.Column("axis", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["nozzle_id"],
            ["nozzles.id"],
        ),
        sa.ForeignKeyConstraint(
            ["printer_id"],
            ["printers.id"],
        ),
        sa.ForeignKeyConstraint(
            ["spool_id"],
            ["spools.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("uid"),
    )
    op.create_index("ix_events_printer_id", "events", ["printer_id"])
    op.create_index("ix_events_spool_id", "events", ["spool_id"])

    op.create_table(
        "sheets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("keep_key", sa.String(), nullable=False),
        sa.Column("sheet_sha256", sa.String(), nullable=False),
        sa.Column("sheet_text", sa.String(), nullable=False),
        sa.Column("pattern", sa.String(), nullable=False),
        sa.Column("piece_id", sa.String(), nullable=False),
        sa.Column("parameters", sa.JSON(), nullable=False),
        sa.Column("keys", sa.JSON(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=False),
        sa.Column("nozzle_id", sa.Integer(), nullable=True),
        sa.Column("spool_id", sa.Integer(), nullable=True),
        sa.Column("fit", sa.JSON(), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.Column("by_version", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["nozzle_id"],
            ["nozzles.id"],
        ),
        sa.ForeignKeyConstraint(
            ["printer_id"],
            ["printers.id"],
        ),
        sa.ForeignKeyConstraint(
            ["spool_id"],
            ["spools.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("keep_key"),
        sa.UniqueConstraint("uid"),
    )
    op.create_index("ix_sheets_printer_id", "sheets", ["printer_id"])
    op.create_index("ix_sheets_spool_id", "sheets", ["spool_id"])

    op.create_table(
        "corrections",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("sheet_id", sa.Integer(), nullable=False),
        sa.Column("printer_id", sa.Integer(), nullable=False),
        sa.Column("nozzle_id", sa.Integer(), nullable=True),
        sa.Column("material_id", sa.Integer(), nullable=True),
        sa.Column("spool_id", sa.Integer(), nullable=True),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("setting", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("old", sa.Double(), nullable=True),
        sa.Column("new", sa.Double(), nullable=False),
        sa.Column("u_new", sa.Double(), nullable=False),
        sa.Column("error", sa.JSON(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("evidence", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("instead_of", sa.String(), nullable=False),
        sa.Column("chosen", sa.Boolean(), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.Column("by_version", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["material_id"],
            ["materials.id"],
        ),
        sa.ForeignKeyConstraint(
            ["nozzle_id"],
            ["nozzles.id"],
        ),
        sa.ForeignKeyConstraint(
            ["printer_id"],
            ["printers.id"],
        ),
        sa.ForeignKeyConstraint(
            ["sheet_id"],
            ["sheets.id"],
        ),
        sa.ForeignKeyConstraint(
            ["spool_id"],
            ["spools.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("uid"),
    )
    op.create_index(
        "corrections_by_material", "corrections", ["material_id", "printer_id", "scope", "kept_at"]
    )
    op.create_index("corrections_by_printer", "corrections", ["printer_id", "scope", "setting"])
    op.create_index("corrections_by_spool", "corrections", ["spool_id", "printer_id"])
    op.create_index("ix_corrections_sheet_id", "corrections", ["sheet_id"])

    op.create_table(
        "readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sheet_id", sa.Integer(), nullable=False),
        sa.Column("feature", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("axis", sa.String(), nullable=False),
        sa.Column("nominal", sa.Double(), nullable=True),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("u", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["sheet_id"],
            ["sheets.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_readings_sheet_id", "readings", ["sheet_id"])

    op.create_table(
        "undos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(), nullable=False),
        sa.Column("correction_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["corrections.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("correction_id"),
        sa.UniqueConstraint("uid"),
    )

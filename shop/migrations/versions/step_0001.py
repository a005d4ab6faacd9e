"""The parts list, its log of changes, and what the shop has met on which doors."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# Written out, not taken from the code of today: a step stays what it was.
FAMILIES = "'finger', 'taper', 'paddle', 'cloverleaf', 'hook', 'offset', 'hammer', 'fork'"


def upgrade() -> None:
    """Make the first tables."""
    number: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")
    op.create_table(
        "parts",
        sa.Column("part", sa.Text, primary_key=True),
        sa.Column("family", sa.Text, nullable=False),
        sa.Column("bottom", sa.Text, nullable=False),
        sa.Column("hand", sa.Text, nullable=False),
        sa.Column("reach_mm", number, nullable=False),
        sa.Column("hub_diameter_mm", number),
        sa.Column("tail_width_mm", number),
        sa.Column("thickness_mm", number),
        sa.Column("holes", sa.Text, nullable=False),
        sa.Column("screw", sa.Text),
        sa.Column("bin", sa.Text, nullable=False),
        sa.Column("stock", sa.Integer),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("changed_at", sa.Text, nullable=False),
        sa.Column("archived_at", sa.Text),
        sa.CheckConstraint(f"family IN ({FAMILIES})", name="parts_family_word"),
        sa.CheckConstraint("bottom IN ('closed', 'open')", name="parts_bottom_word"),
        sa.CheckConstraint("hand IN ('none', 'left', 'right')", name="parts_hand_word"),
        sa.CheckConstraint("reach_mm > 0", name="parts_reach_positive"),
        sa.CheckConstraint("stock IS NULL OR stock >= 0", name="parts_stock_not_negative"),
        sqlite_strict=True,
    )
    op.create_table(
        "part_changes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("part", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("before", sa.Text),
        sa.Column("after", sa.Text, nullable=False),
        sqlite_strict=True,
    )
    op.create_index("ix_part_changes_part", "part_changes", ["part"])
    op.create_table(
        "doors_seen",
        sa.Column("door", sa.Text, primary_key=True),
        sa.Column("family", sa.Text, primary_key=True),
        sa.Column("seen", sa.Integer, nullable=False),
        sa.CheckConstraint("seen >= 0", name="doors_seen_not_negative"),
        sqlite_strict=True,
    )


def downgrade() -> None:
    """Drop the first tables."""
    for table in ("doors_seen", "part_changes", "parts"):
        op.drop_table(table)

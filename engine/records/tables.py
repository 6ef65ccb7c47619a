"""The tables of the record store: runs, cartons, findings, events.

A carton's `content` holds the canonical JSON of its verdict and is what counts; the other columns
repeat parts of it so that they can be searched.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    DateTime,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

FORMAT = 1
"""Number of this layout of tables; raised with every change that older versions cannot read."""

metadata = MetaData()

record_format = Table("record_format", metadata, Column("number", Integer, primary_key=True))

runs = Table(
    "runs",
    metadata,
    Column("run", String(64), primary_key=True),
    Column("recipe", Text, nullable=False),
    Column("order_fields", Text, nullable=False),
    Column("cameras", Text, nullable=False),
    Column("version", Text, nullable=False),
    Column("started", DateTime, nullable=False),
)

cartons = Table(
    "cartons",
    metadata,
    Column("run", ForeignKey("runs.run"), primary_key=True),
    Column("trigger", BigInteger, primary_key=True, autoincrement=False),
    Column("verdict", String(8), nullable=False, index=True),
    Column("reasons", Text, nullable=False),
    Column("recipe", Text, nullable=False),
    Column("taken_at", DateTime, nullable=True),
    Column("recorded_at", DateTime, nullable=False),
    Column("content", Text, nullable=False),
    Column("content_sha256", String(64), nullable=False),
)

findings = Table(
    "findings",
    metadata,
    Column("run", String(64), primary_key=True),
    Column("trigger", BigInteger, primary_key=True, autoincrement=False),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("camera", Text, nullable=False),
    Column("step", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("measured_number", Float, nullable=True),
    Column("measured_text", Text, nullable=True),
    Column("unit", Text, nullable=False),
    Column("limit_text", Text, nullable=False),
    Column("margin", Float, nullable=True),
    Column("good", Boolean, nullable=False),
    Column("reason", Text, nullable=False),
    ForeignKeyConstraint(["run", "trigger"], ["cartons.run", "cartons.trigger"]),
    Index("findings_by_value", "camera", "step", "value"),
)

events = Table(
    "events",
    metadata,
    Column("event", Integer, primary_key=True),
    Column("run", ForeignKey("runs.run"), nullable=False),
    Column("trigger", BigInteger, nullable=True),
    Column("kind", String(32), nullable=False),
    Column("at", DateTime, nullable=False),
    Column("content", Text, nullable=False),
)

"""The record store keeps each verdict once, and says when it cannot."""

import sqlite3
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.faults import StoreFault
from engine.ports import Sink
from engine.records.query import Records
from engine.records.store import RecordStore, content_sha256
from engine.result import to_json
from tests.generators.verdicts import IDENTITY, any_verdict, carton, faulted, frames

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def keep(path, *verdicts, identity=IDENTITY, **options):
    with RecordStore(path, identity, now=lambda: NOON, **options) as store:
        for verdict in verdicts:
            store.take(verdict, frames(verdict.trigger))


def test_a_store_is_a_sink(tmp_path):
    with RecordStore(tmp_path / "records.db", IDENTITY) as store:
        assert isinstance(store, Sink)


def test_what_was_taken_is_read_back_in_order_of_trigger(tmp_path):
    verdicts = [carton(trigger, gap_mm=0.1 * trigger) for trigger in (30, 2, 11)]
    keep(tmp_path / "records.db", *verdicts)
    with Records(tmp_path / "records.db") as records:
        rows = records.verdicts(IDENTITY.run)
        assert records.done(IDENTITY.run) == {2, 11, 30}
    expected = [to_json(v, IDENTITY) for v in sorted(verdicts, key=lambda v: v.trigger)]
    assert rows == expected


def test_runs_are_listed_with_their_order_and_count(tmp_path):
    keep(tmp_path / "records.db", carton(1), carton(2))
    keep(tmp_path / "records.db", identity=replace(IDENTITY, run="another"))
    with Records(tmp_path / "records.db") as records:
        runs = {run.run: run for run in records.runs()}
    assert runs[IDENTITY.run].cartons == 2
    assert runs[IDENTITY.run].order == {"lot": "K4471", "expiry": "2027-03-14"}
    assert runs[IDENTITY.run].started == NOON.replace(tzinfo=None)
    assert runs["another"].cartons == 0


def test_findings_can_be_asked_for_by_value_and_by_good(tmp_path):
    keep(tmp_path / "records.db", carton(1, 0.5), carton(2, 3.1))
    with Records(tmp_path / "records.db") as records:
        gaps = records.findings(value="top.flap.gap_mm")
        broken = records.findings(IDENTITY.run, good=False)
        codes = records.findings(value="side.code.text")
    assert [gap.measured for gap in gaps] == [0.5, 3.1]
    assert [(f.trigger, f.limit, f.margin, f.reason) for f in broken] == [
        (2, {"max": 1.0}, pytest.approx(-2.1), "flap open")
    ]
    assert codes[0].measured == "4006381333931"


def test_the_same_carton_again_changes_nothing(tmp_path):
    path = tmp_path / "records.db"
    keep(path, carton(7, 3.1, ms=10), carton(7, 3.1, ms=11))
    keep(path, carton(7, 3.1, ms=99))
    with Records(path) as records:
        assert records.events() == []
        assert [row["ms"]["total"] for row in records.verdicts(IDENTITY.run)] == [10]
        assert len(records.findings()) == 2


def test_the_same_carton_told_otherwise_is_an_event_and_never_overwrites(tmp_path):
    path = tmp_path / "records.db"
    keep(path, carton(7, 3.1))
    keep(path, carton(7, 0.2))
    keep(path, carton(8, 0.2), carton(8, 3.0), batch=1)
    with Records(path) as records:
        events = records.events(IDENTITY.run)
        kept = [row["verdict"] for row in records.verdicts(IDENTITY.run)]
    assert kept == ["reject", "pass"]
    assert [(event.trigger, event.kind) for event in events] == [
        (7, "told-otherwise"),
        (8, "told-otherwise"),
    ]
    assert events[0].content["verdict"] == "pass"


def test_the_same_trigger_of_another_run_is_another_carton(tmp_path):
    path = tmp_path / "records.db"
    keep(path, carton(7, 3.1))
    keep(path, carton(7, 0.2), identity=replace(IDENTITY, run="another"))
    with Records(path) as records:
        assert records.events() == []
        assert [r["verdict"] for r in records.verdicts("another")] == ["pass"]


def test_a_run_cannot_go_on_with_another_recipe(tmp_path):
    keep(tmp_path / "records.db", carton(1))
    other = replace(IDENTITY, recipe="harbour-soap-6@other")
    with pytest.raises(StoreFault, match=r"is kept with recipe harbour.*cannot go on with harbour"):
        RecordStore(tmp_path / "records.db", other)


def test_hundreds_of_cartons_come_through_a_small_queue(tmp_path):
    with RecordStore(tmp_path / "records.db", IDENTITY, waiting=8, batch=50) as store:
        for trigger in range(1, 601):
            store.take(carton(trigger), frames(trigger))
        store.flush()
        with Records(tmp_path / "records.db") as records:
            assert len(records.done(IDENTITY.run)) == 600


def test_the_time_of_the_first_frame_is_kept(tmp_path):
    keep(tmp_path / "records.db", carton(1))
    with sqlite3.connect(tmp_path / "records.db") as connection:
        ((taken, recorded),) = connection.execute("select taken_at, recorded_at from cartons")
    connection.close()
    assert taken.startswith("2026-05-04 10:00:01")
    assert recorded.startswith("2026-05-04 12:00:00")


def test_commits_are_durable_and_readers_do_not_block_the_writer(tmp_path):
    with (
        RecordStore(tmp_path / "records.db", IDENTITY) as store,
        store._engine.connect() as connection,
    ):
        pragmas = [
            connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        ]
    assert pragmas == ["wal", 2, 1, 5000]  # synchronous 2 is FULL: SQLite documentation, PRAGMA


def test_text_nobody_expected_is_kept(tmp_path):
    strange = "\ud800 \0 <b>'; drop table cartons; -- 漢字"
    keep(tmp_path / "records.db", carton(1, 3.0, reason=strange, code=strange))
    with Records(tmp_path / "records.db") as records:
        (row,) = records.verdicts(IDENTITY.run)
    assert row == to_json(carton(1, 3.0, reason=strange, code=strange), IDENTITY)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(verdicts=st.lists(any_verdict, max_size=5, unique_by=lambda v: v.trigger))
def test_any_verdict_is_kept_as_told(tmp_path_factory, verdicts):
    path = tmp_path_factory.mktemp("store") / "records.db"
    keep(path, *verdicts)
    with Records(path) as records:
        rows = records.verdicts(IDENTITY.run)
    assert rows == [to_json(v, IDENTITY) for v in sorted(verdicts, key=lambda v: v.trigger)]


def test_a_file_that_is_no_database_is_a_fault_and_stays_as_it_is(tmp_path):
    file = tmp_path / "notes.txt"
    file.write_text("these are notes, not records\n" * 100)
    before = file.read_bytes()
    with pytest.raises(StoreFault, match=r"notes\.txt: opening.*something else than records"):
        RecordStore(file, IDENTITY)
    with pytest.raises(StoreFault, match=r"notes\.txt: opening.*something else than records"):
        Records(file)
    assert file.read_bytes() == before


def test_a_database_of_something_else_is_a_fault(tmp_path):
    connection = sqlite3.connect(tmp_path / "other.db")
    connection.execute("create table recipes (name text)")
    connection.close()
    with pytest.raises(StoreFault, match="this database holds something else than records"):
        RecordStore(tmp_path / "other.db", IDENTITY)


def test_a_newer_format_is_a_fault_that_names_both(tmp_path):
    keep(tmp_path / "records.db", carton(1))
    connection = sqlite3.connect(tmp_path / "records.db")
    connection.execute("update record_format set number = 9")
    connection.commit()
    connection.close()
    with pytest.raises(StoreFault, match="have format 9; this version reads format 1"):
        Records(tmp_path / "records.db")


def test_a_missing_folder_is_a_fault(tmp_path):
    with pytest.raises(StoreFault, match="the folder is missing or may not be written to"):
        RecordStore(tmp_path / "nowhere" / "records.db", IDENTITY)


def test_reading_records_that_are_not_there_makes_no_file(tmp_path):
    with pytest.raises(StoreFault, match="there are no records"):
        Records(tmp_path / "records.db")
    assert not (tmp_path / "records.db").exists()


def test_neither_path_nor_url_is_a_fault():
    with pytest.raises(StoreFault, match="neither a path nor the URL of a database"):
        RecordStore("://", IDENTITY)


def test_a_locked_store_is_a_fault_at_the_start(tmp_path):
    keep(tmp_path / "records.db", carton(1))
    other = sqlite3.connect(tmp_path / "records.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        with pytest.raises(StoreFault, match="another program holds the records locked"):
            RecordStore(tmp_path / "records.db", IDENTITY, busy_ms=20)
    finally:
        other.close()


def test_a_store_locked_in_the_middle_says_what_was_not_kept(tmp_path):
    store = RecordStore(tmp_path / "records.db", IDENTITY, busy_ms=20)
    store.take(carton(1), frames(1))
    store.flush()
    other = sqlite3.connect(tmp_path / "records.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    store.take(carton(2), frames(2))
    with pytest.raises(StoreFault, match=r"keeping carton 2 and after failed.*1 cartons were not"):
        store.flush()
    other.close()
    with pytest.raises(StoreFault, match="keeping carton 2"):
        store.take(carton(3), frames(3))
    with pytest.raises(StoreFault, match="keeping carton 2"):
        store.close()
    with Records(tmp_path / "records.db") as records:
        assert records.done(IDENTITY.run) == {1}


def test_nothing_is_taken_after_the_end(tmp_path):
    store = RecordStore(tmp_path / "records.db", IDENTITY)
    store.close()
    store.close()
    with pytest.raises(StoreFault, match="carton 1 came after the records were closed"):
        store.take(carton(1), frames(1))


def test_an_exception_in_the_run_is_not_hidden_by_closing(tmp_path):
    with pytest.raises(KeyboardInterrupt), RecordStore(tmp_path / "records.db", IDENTITY) as store:  # noqa: PT012
        store.take(carton(1), frames(1))
        raise KeyboardInterrupt
    with Records(tmp_path / "records.db") as records:
        assert records.done(IDENTITY.run) == {1}


@given(verdict=any_verdict)
def test_the_hash_leaves_out_run_and_times_only(verdict):
    data = to_json(verdict, IDENTITY)
    again = to_json(replace(verdict, ms=verdict.ms + 1), replace(IDENTITY, run="another"))
    assert content_sha256(data) == content_sha256(again)
    noted = to_json(replace(verdict, notes=(*verdict.notes, "more")), IDENTITY)
    assert content_sha256(data) != content_sha256(noted)


def test_a_fault_is_kept_like_any_verdict(tmp_path):
    keep(tmp_path / "records.db", faulted(4))
    with Records(tmp_path / "records.db") as records:
        (row,) = records.verdicts(IDENTITY.run)
    assert (row["verdict"], row["faults"]) == ("fault", ["side: no frame came"])

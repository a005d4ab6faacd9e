"""The database keeps every part: both engines, many writers, a process killed in the middle of an import."""

import contextlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext

from shop.parts import Part, PartsError, parse_holes, read_csv
from shop.store import HEAD, VERSION_TABLE, Conflict, StoreError, metadata, open_store
from tests.shop.simulated_shop import DEMO

A1 = Part("A1", "finger", "closed", "none", 21.4, parse_holes("61@4.55:3.3; 209@4.55:3.3"), stock=3)
ROOT = Path(__file__).parents[2]


def _programs() -> Path | None:
    """Where PostgreSQL's programs are, the newest version."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    return found[-1].parent if found else None


@pytest.fixture(scope="session")
def postgres_server():
    """The server that CI names, or one of our own when the programs are there. In CI it must be there."""
    named = os.environ.get("CAMDIAL_TEST_POSTGRES")
    if named:
        yield named
        return
    programs = _programs()
    if programs is None:
        if os.environ.get("CI"):
            pytest.fail("CI must have PostgreSQL: CAMDIAL_TEST_POSTGRES is not set and no programs are installed")
        pytest.skip("no PostgreSQL on this machine")
    # Not below pytest's own folder, which only its owner may enter: the server runs as another user.
    folder = Path(tempfile.mkdtemp(prefix="camdial-postgres-"))
    user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    if user:
        shutil.chown(folder, "postgres")

    def run(*arguments: str) -> None:
        subprocess.run([*user, *arguments], cwd="/", check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    data = folder / "db"
    run(str(programs / "initdb"), "-D", str(data), "--auth=trust", "--username=camdial", "--encoding=UTF8")
    settings = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off"
    control = [str(programs / "pg_ctl"), "-D", str(data), "-l", str(folder / "log"), "-w"]
    run(*control, "-o", settings, "start")
    try:
        yield f"postgresql://camdial@/postgres?host={folder}"
    finally:
        run(*control, "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def place(request, tmp_path):
    """A fresh database of each kind, as `open_store` takes it."""
    if request.param == "sqlite":
        yield str(tmp_path / "shop.db")
        return
    server = sa.engine.make_url(request.getfixturevalue("postgres_server")).set(drivername="postgresql+psycopg")
    name = f"shop_{os.getpid()}_{time.monotonic_ns()}"
    engine = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    yield server.set(database=name, drivername="postgresql").render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.execute(sa.text(f"DROP DATABASE {name} WITH (FORCE)"))
    engine.dispose()


@pytest.fixture
def store(place):
    opened = open_store(place)
    yield opened
    opened.close()


def test_the_demo_list_goes_in_and_comes_out(store):
    parts = read_csv(DEMO).parts
    result = store.import_parts(parts)
    assert (result.added, result.updated, result.unchanged, result.skipped) == (len(parts), 0, 0, 0)
    assert store.list_parts() == tuple(sorted(parts, key=lambda part: part.part))
    assert store.import_parts(parts).unchanged == len(parts)
    changed = store.import_parts([replace(parts[0], stock=99)])
    assert (changed.updated, store.get(parts[0].part).part.stock) == (1, 99)
    assert store.import_parts([replace(parts[0], stock=1)], on_existing="skip").skipped == 1
    with pytest.raises(StoreError, match="already"):
        store.import_parts([replace(A1, part="new"), parts[0]], on_existing="refuse")
    assert store.get("new") is None
    assert store.check() == ()


def test_numbers_keep_all_their_digits(store):
    """PostgreSQL's REAL would give back 21.399999618 for 21.4."""
    store.add(replace(A1, reach_mm=21.3457, thickness_mm=2.3))
    assert store.get("A1").part.reach_mm == 21.3457
    assert store.get("A1").part.thickness_mm == 2.3


def test_a_part_is_added_edited_put_away_and_brought_back(store):
    assert store.add(A1).version == 1
    with pytest.raises(StoreError, match="already"):
        store.add(A1)
    assert store.edit("A1", {"stock": "7", "bin": "C4"}).part == replace(A1, stock=7, bin="C4")
    with pytest.raises(PartsError, match="column stock"):
        store.edit("A1", {"stock": "many"})
    assert store.archive("A1").archived_at is not None
    assert store.list_parts() == ()
    assert [part.part for part in store.list_parts(archived=True)] == ["A1"]
    with pytest.raises(StoreError, match="archived; restore it"):
        store.add(A1)
    store.restore("A1")
    assert store.edit("A1", {"part": "B1"}).part.part == "B1"
    assert store.get("A1") is None
    with pytest.raises(StoreError, match="no part A1"):
        store.edit("A1", {"stock": "1"})
    assert [change.what for change in store.history("A1")] == ["add", "edit", "archive", "restore"]
    last = store.history("B1")[-1]
    assert (last.before["part"], last.after["part"], last.after["stock"]) == ("A1", "B1", "7")


def test_a_stale_edit_is_refused_and_shows_what_is_there(store):
    store.add(A1)
    seen = store.get("A1").version
    store.edit("A1", {"stock": "5"}, version=seen)
    with pytest.raises(Conflict, match="someone else") as caught:
        store.edit("A1", {"stock": "6"}, version=seen)
    assert caught.value.now.part.stock == 5
    with pytest.raises(Conflict):
        store.archive("A1", version=seen)


def test_edits_from_many_threads_and_processes_lose_nothing(place):
    """Each writer adds one to the stock 10 times, trying again when another was faster."""
    with open_store(place) as store:
        store.add(replace(A1, stock=0))

    def add_ten(_):
        done = 0
        with open_store(place) as mine:
            while done < 10:
                now = mine.get("A1")
                with contextlib.suppress(Conflict):
                    mine.edit("A1", {"stock": str(now.part.stock + 1)}, version=now.version)
                    done += 1

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(add_ten, range(4)))
    with open_store(place) as store:
        assert store.get("A1").part.stock == 40
        assert store.get("A1").version == 41
        assert len(store.history("A1")) == 41


def test_edits_of_different_cells_both_stay(place):
    """Without a version, each edit writes its own cell over whatever is there by then."""
    with open_store(place) as store:
        store.add(A1)
    ready = threading.Barrier(2)

    def edit(changes):
        with open_store(place) as mine:
            ready.wait(timeout=20)
            mine.edit("A1", changes)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(edit, [{"stock": "8"}, {"bin": "Z9"}]))
    with open_store(place) as store:
        part = store.get("A1").part
    assert (part.stock, part.bin) == (8, "Z9")


IMPORTER = """
import sys
from dataclasses import replace
from shop.parts import read_csv
from shop.store import open_store
store = open_store(sys.argv[1])
first = read_csv(sys.argv[2]).parts
round = 0
while True:
    round += 1
    # Every round changes every part: stock carries the round's number, so a half import would show two numbers.
    parts = [replace(p, part=f"{p.part}/{i}", stock=round) for i in range(20) for p in first]
    print("begin", flush=True)
    store.import_parts(parts)
    print("done", round, flush=True)
"""


@pytest.mark.slow
def test_a_kill_in_the_middle_of_an_import_leaves_the_old_list_or_the_new_one(place):
    open_store(place).close()
    for delay in (0.0, 0.05, 0.12, 0.2, 0.3):
        process = subprocess.Popen(
            [sys.executable, "-c", IMPORTER, place, str(DEMO)], stdout=subprocess.PIPE, text=True, cwd=ROOT
        )
        assert process.stdout is not None
        acknowledged = 0
        begun = 0
        while begun < 2:  # one whole import, then killed inside the second
            line = process.stdout.readline()
            assert line, "the importer ended by itself"
            begun += line.startswith("begin")
            if line.startswith("done"):
                acknowledged = int(line.split()[1])
        time.sleep(delay)
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read()
        process.wait()
        process.stdout.close()
        for line in rest.splitlines():
            if line.startswith("done"):
                acknowledged = int(line.split()[1])
        with open_store(place) as store:
            parts, problems = store.list_parts(), store.check()
        rounds = {part.stock for part in parts}
        assert len(parts) == 20 * len(read_csv(DEMO).parts)
        assert len(rounds) == 1, "half an import"
        assert rounds.pop() >= acknowledged, "an import that was reported done is gone"
        assert problems == ()


def test_the_table_is_read_again_only_after_a_change(store):
    store.add(A1)
    first = store.table()
    assert store.table() is first
    store.edit("A1", {"stock": "9"})
    assert store.table().parts[0].stock == 9
    store.archive("A1")
    assert store.table().parts == ()


def test_doors_are_counted(place):
    with open_store(place) as first, open_store(place) as second:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda s: [s.count_door("storefront", "cloverleaf") for _ in range(5)], (first, second)))
        first.count_door("storefront", "finger", 2)
        assert first.counts("storefront") == {"cloverleaf": 10, "finger": 2}
        assert first.counts("other") == {}
        with pytest.raises(ValueError, match="allowed: finger"):
            first.count_door("storefront", "lever")


def test_the_migrations_make_the_tables_the_code_expects(store):
    with store._engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert context.get_current_revision() == HEAD
        assert compare_metadata(context, metadata) == []


def test_opening_at_once_makes_the_tables_once(place):
    with ThreadPoolExecutor(4) as pool:
        stores = list(pool.map(lambda _: open_store(place), range(4)))
    stores[0].add(A1)
    assert all(store.get("A1") is not None for store in stores)
    for store in stores:
        store.close()


def test_the_database_itself_refuses_what_the_list_does_not_allow(store):
    store.add(A1)
    with pytest.raises(sa.exc.DatabaseError), store._engine.begin() as connection:
        connection.execute(sa.text("UPDATE parts SET family = 'lever'"))
    with pytest.raises(sa.exc.DatabaseError), store._engine.begin() as connection:
        connection.execute(sa.text("UPDATE parts SET stock = 'many'"))  # STRICT, or PostgreSQL's own types
    with store._engine.begin() as connection:
        connection.execute(sa.text("UPDATE parts SET holes = 'two' WHERE part = 'A1'"))
    assert any("column holes" in problem for problem in store.check())


def test_a_newer_database_is_not_touched(place):
    with open_store(place) as store, store._engine.begin() as connection:
        connection.execute(sa.text(f"UPDATE {VERSION_TABLE} SET version_num = '9999'"))
    with pytest.raises(StoreError, match="newer version"):
        open_store(place)


# ------------------------------------------------------------------------------------------------ one engine only


def test_sqlite_tables_are_strict_and_the_settings_safe(tmp_path):
    with open_store(tmp_path / "shop.db") as store, store._engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "delete"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        strict = connection.exec_driver_sql("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'").all()
    assert {name for name, flag in strict if flag} == {"parts", "part_changes", "doors_seen"}


def test_a_sqlite_backup_is_whole_and_nothing_is_overwritten(tmp_path):
    with open_store(tmp_path / "shop.db") as store:
        store.import_parts(read_csv(DEMO).parts)
        copy = store.backup(tmp_path / "copy.db")
        store.archive("NB-101")
        with pytest.raises(StoreError, match="there already"):
            store.backup(copy)
        with pytest.raises(StoreError, match="no folder"):
            store.backup(tmp_path / "none" / "copy.db")
    with open_store(copy) as restored:
        assert restored.get("NB-101").archived_at is None
        assert restored.list_parts() == tuple(sorted(read_csv(DEMO).parts, key=lambda part: part.part))
    with contextlib.closing(sqlite3.connect(copy)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["copy.db", "shop.db"]


@pytest.mark.postgres
def test_a_postgres_backup_can_be_restored(postgres_server, tmp_path):
    programs = _programs()
    if programs is None:
        pytest.skip("pg_restore is not on this machine")
    with open_store(postgres_server.replace("postgresql+psycopg:", "postgresql:")) as store:
        if store.get("A1") is None:
            store.add(A1)
        copy = store.backup(tmp_path / "copy.dump")
    listed = subprocess.run(
        [programs / "pg_restore", "--list", copy], capture_output=True, text=True, check=True
    ).stdout
    assert "TABLE DATA public parts" in listed


def test_a_damaged_file_is_refused_in_words(tmp_path):
    path = tmp_path / "shop.db"
    path.write_bytes(b"this is no database, only a long line of text" * 100)
    with pytest.raises(StoreError, match="restore a backup"):
        open_store(path)
    with open_store(tmp_path / "good.db") as good:
        good.import_parts([replace(A1, part=f"P{i}", note="x" * 200) for i in range(200)])
    raw = bytearray((tmp_path / "good.db").read_bytes())
    raw[4096 * 3 : 4096 * 6] = os.urandom(4096 * 3)
    (tmp_path / "good.db").write_bytes(raw)
    with pytest.raises(StoreError, match="damaged"):
        open_store(tmp_path / "good.db")


@pytest.mark.parametrize("place", ["mysql://root@host/db", "sqlite+nothing://x", "://", "/no/such/folder/shop.db"])
def test_a_wrong_place_is_refused_in_words(place):
    with pytest.raises(StoreError):
        open_store(place)


def test_a_locked_database_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr("shop.store.BUSY_SECONDS", 0.2)
    with open_store(tmp_path / "shop.db") as store:
        with contextlib.closing(sqlite3.connect(tmp_path / "shop.db", isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            with pytest.raises(StoreError, match="locked"):
                store.add(A1)
            other.execute("ROLLBACK")
        assert store.add(A1).version == 1

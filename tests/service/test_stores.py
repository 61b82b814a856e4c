"""Measurements, pieces, jobs and answers in SQLite and PostgreSQL."""

import threading
from typing import Any

import pytest

from service.answer_store import AnswerStore
from service.database import Database, new_id
from service.job_store import JobStore
from service.measurement_store import MeasurementStore, Revision
from service.paging import next_link
from service.piece_store import PieceStore
from service.problems import Problem


def document(*names: str | None) -> dict[str, Any]:
    """As much of a measurement as the stores look at."""
    quantity = {"value": 1.0, "u": 0.1, "unit": "mm2"}
    pieces = [
        {"id": chr(65 + k), "area": quantity, "complete": True, "outline_mm": [[0, 0], [1, 0], [1, 1]], "holes_mm": []}
        | ({"name": name, "labels": {"A1": "hem"}} if name else {})
        for k, name in enumerate(names)
    ]
    return {"pieces": pieces, "warnings": []}


def first(*names: str | None) -> Revision:
    return Revision("measured", {"options": {}, "corners": []}, document(*names))


def key(letter: str) -> str:
    return letter * 64


def cursor_of(link: str) -> str:
    return link.partition("cursor=")[2].replace("%3D", "=")


def test_kept_and_given_back(database: Database) -> None:
    store = MeasurementStore(database)
    measurement = store.add(key("a"), key("b"), "coat ÄÖ🧵", first("front"))
    stored = store.get(measurement)
    assert (stored.name, stored.photo, stored.revision, stored.version) == ("coat ÄÖ🧵", key("b"), 1, 1)
    assert stored.document == document("front")
    assert store.find(key("a")) == measurement
    assert store.find(key("c")) is None


def test_same_key_from_many_at_once_is_kept_once(database: Database) -> None:
    store = MeasurementStore(database)
    found: list[str] = []
    threads = [
        threading.Thread(target=lambda: found.append(store.add(key("a"), key("b"), "coat", first("front"))))
        for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert len(set(found)) == 1
    assert len(store.page(None, 10, None)) == 1


def test_revisions_from_many_at_once_do_not_overwrite(database: Database) -> None:
    store = MeasurementStore(database)
    measurement = store.add(key("a"), key("b"), "coat", first("front"))
    refused: list[int] = []

    def correct(name: str) -> None:
        try:
            store.add_revision(measurement, 1, Revision("notes", {}, document(name)))
        except Problem as problem:
            refused.append(problem.status)

    threads = [threading.Thread(target=correct, args=(f"name {k}",)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert refused == [409] * 5
    assert [one["revision"] for one in store.get(measurement).history] == [1, 2]


def test_pages_hold_everything_once(database: Database) -> None:
    store = MeasurementStore(database)
    added = [store.add(f"{k:064d}", key("b"), f"photo {k}", first(None)) for k in range(7)]
    seen: list[str] = []
    cursor = None
    while True:
        rows = store.page(None, 4, cursor)
        seen += [row["id"] for row in rows[:3]]
        if len(rows) < 4:
            break
        cursor = cursor_of(next_link("/x", (rows[2]["created"], rows[2]["id"])))
    assert sorted(seen) == sorted(added)
    assert seen == sorted(seen, key=lambda one: -added.index(one))  # newest first


@pytest.mark.parametrize("cursor", ["x", "bnVsbA==", "WzEsIDJd", "WyJhIl0=", "WyJcdTAwMDAiLCAiYSJd", "ÄÖ"])
def test_foreign_cursor_failure(database: Database, cursor: str) -> None:
    with pytest.raises(Problem, match="cursor is none that this service gave"):
        MeasurementStore(database).page(None, 3, cursor)


@pytest.mark.parametrize(
    ("words", "found"),
    [("coat", 1), ("COAT hem", 1), ("coat hem velvet", 0), ("%", 1), ("c%t", 0), ("_", 0), ("'; --", 0), ("", 2)],
)
def test_search(database: Database, words: str, found: int) -> None:
    store = MeasurementStore(database)
    store.add(key("a"), key("b"), "Coat, 100% wool", first("front"))
    store.add(key("c"), key("d"), "shirt", first(None))
    assert len(store.page(words, 10, None)) == found
    assert len(PieceStore(database).page(words, 10, None)) == found


def test_stash_follows_the_latest_revision(database: Database) -> None:
    store, stash = MeasurementStore(database), PieceStore(database)
    measurement = store.add(key("a"), key("b"), "coat", first("front", "back"))
    stash.hide(measurement, "B")
    store.add_revision(measurement, 1, Revision("notes", {}, document("front, left", "back", "cuff")))
    assert [row["piece"] for row in stash.page(None, 10, None)] == ["C", "A"]
    store.rename(store.get(measurement), "mantle")
    assert len(stash.page("mantle left", 10, None)) == 1
    assert stash.page("coat", 10, None) == []
    with pytest.raises(Problem, match="no such piece"):
        stash.hide(measurement, "B")
    store.delete(measurement)
    assert stash.page(None, 10, None) == []


def test_delete_and_photo(database: Database) -> None:
    store = MeasurementStore(database)
    one, other = (store.add(key(letter), key("f"), "coat", first("front")) for letter in "ab")
    assert store.delete(one) == key("f")
    assert store.uses(key("f"))
    store.delete(other)
    assert not store.uses(key("f"))
    for call in (store.get, store.delete):
        with pytest.raises(Problem, match="no such measurement") as told:
            call(one)
        assert told.value.status == 404


def test_jobs(database: Database) -> None:
    store = JobStore(database)
    one, other = new_id(), new_id()
    store.add(one, "measure", key("a"), {"photo": "x"})
    store.add(other, "answer", None, {})
    store.change(one, state="running", attempts=1)
    assert [(job.id, job.state, job.attempts) for job in store.unfinished()] == [
        (one, "running", 1),
        (other, "queued", 0),
    ]
    store.change(one, state="failed", problem={"detail": "no"}, result=None)
    assert store.get(one).problem == {"detail": "no"}
    assert [job.id for job in store.unfinished()] == [other]
    store.forget_old()
    assert store.get(one).state == "failed"  # it is not old


def test_answers(database: Database) -> None:
    store = AnswerStore(database)
    store.add("0123456789abcdef", {"verdict": "enough"}, {"x:A": []})
    assert store.get("0123456789abcdef").document == {"verdict": "enough"}
    store.delete("0123456789abcdef")
    with pytest.raises(Problem, match="no such answer"):
        store.delete("0123456789abcdef")

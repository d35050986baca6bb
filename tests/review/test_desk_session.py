"""The recipe at the desk: saved with its comments, undone, never written over another's work."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from desked import small_film
from support import snapshot

from gradeprep.errors import RecipeError, RequestError, WriteError
from gradeprep.pipeline import recipeupdate
from gradeprep.review.desk.session import ChangedError, Session
from gradeprep.runners import lock

CHANGE = {"wall": {"pull": {"stops": -2.5}}}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return small_film(tmp_path, frames=1)


def test_a_save_changes_the_characters_of_the_stops_only(path: Path) -> None:
    before = path.read_text("utf-8")
    session = Session(path)
    now = session.save(CHANGE, revision=session.now.revision)
    assert path.read_text("utf-8") == before.replace(
        "- pull: {stops: -2.0}", "- pull: {stops: -2.5}"
    )
    assert now.text == path.read_text("utf-8")
    assert now.recipe.shots["wall"].stages[1].params.stops == -2.5
    assert not session.changed


def test_saves_are_taken_back_in_turn(path: Path) -> None:
    session = Session(path)
    texts = [path.read_text("utf-8")]
    for stops in (-1.0, -1.5):
        session.save({"door": {"pull": {"stops": stops}}}, revision=session.now.revision)
        texts.append(path.read_text("utf-8"))
    for text in reversed(texts[:-1]):
        session.undo(revision=session.now.revision)
        assert path.read_text("utf-8") == text
    assert session.undoes == 0
    with pytest.raises(RequestError, match="nothing was saved here"):
        session.undo(revision=session.now.revision)


def test_nothing_changed_is_nothing_written(path: Path) -> None:
    session = Session(path)
    before = path.stat().st_mtime_ns
    session.save({"wall": {"pull": {"stops": -2.0}}}, revision=session.now.revision)
    assert path.stat().st_mtime_ns == before
    assert session.undoes == 0


def test_a_recipe_that_changed_on_disk_is_not_written_over(path: Path) -> None:
    session = Session(path)
    path.write_text(path.read_text("utf-8") + "# somebody was here\n", "utf-8")
    before = snapshot(path.parent)
    assert session.changed
    for write in (lambda r: session.save(CHANGE, revision=r), lambda r: session.undo(revision=r)):
        with pytest.raises(ChangedError, match="was changed on disk after it was loaded here"):
            write(session.now.revision)
    assert snapshot(path.parent) == before
    session.reload()
    assert not session.changed
    session.save(CHANGE, revision=session.now.revision)
    assert path.read_text("utf-8").endswith("# somebody was here\n")


def test_two_desks_on_one_recipe(path: Path) -> None:
    first, second = Session(path), Session(path)
    first.save(CHANGE, revision=first.now.revision)
    before = snapshot(path.parent)
    with pytest.raises(ChangedError):
        second.save({"door": {"pull": {"stops": -1.0}}}, revision=second.now.revision)
    assert snapshot(path.parent) == before
    assert second.changed


def test_a_change_between_the_last_two_looks_is_seen(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = Session(path)

    def late(real: Path, text: str, *, digest: str) -> str:
        path.write_text("# theirs\n" + path.read_text("utf-8"), "utf-8")
        return recipeupdate.replace_text(real, text, digest=digest)

    monkeypatch.setattr("gradeprep.review.desk.session.replace_text", late)
    with pytest.raises(ChangedError, match="after it was loaded here"):
        session.save(CHANGE, revision=session.now.revision)
    assert path.read_text("utf-8").startswith("# theirs\n")
    assert session.undoes == 0


def test_while_another_desk_saves_this_one_does_not(path: Path) -> None:
    session = Session(path)
    with lock.held(path.parent, path.name), pytest.raises(ChangedError, match="another desk"):
        session.save(CHANGE, revision=session.now.revision)


def test_another_page_that_saved_first_wins(path: Path) -> None:
    session = Session(path)
    old = session.now.revision
    session.save(CHANGE, revision=old)
    with pytest.raises(ChangedError, match="at this desk, on another page"):
        session.save({"wall": {"pull": {"stops": -9.0}}}, revision=old)


def test_a_recipe_that_would_be_none_is_not_written(path: Path) -> None:
    session = Session(path)
    before = snapshot(path.parent)
    steep = {"wall": {"lift": {"stops": 3.0, "softness": 1.0}}}
    with pytest.raises(RecipeError, match="too steep"):
        session.save(steep, revision=session.now.revision)
    assert snapshot(path.parent) == before


def test_a_touched_recipe_that_says_the_same_is_unchanged(path: Path) -> None:
    session = Session(path)
    os.utime(path, (1, 1))
    assert not session.changed


def test_a_recipe_that_is_gone_is_changed_and_stays_loaded(path: Path) -> None:
    session = Session(path)
    path.unlink()
    assert session.changed
    with pytest.raises(ChangedError):
        session.save(CHANGE, revision=session.now.revision)
    with pytest.raises(RequestError, match="there is no such recipe"):
        session.reload()
    assert "wall" in session.now.recipe.shots


def test_a_recipe_that_became_nonsense_stays_as_it_was_loaded(path: Path) -> None:
    session = Session(path)
    path.write_text("shots: [", "utf-8")
    with pytest.raises(RecipeError):
        session.reload()
    assert "wall" in session.now.recipe.shots
    assert session.changed


def test_a_link_is_followed_and_stays_a_link(path: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    session = Session(link)
    session.save(CHANGE, revision=session.now.revision)
    assert link.is_symlink()
    assert "-2.5" in path.read_text("utf-8")


def test_a_write_that_fails_leaves_all_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = Session(path)
    before, revision = snapshot(path.parent), session.now.revision

    def full(self: Path, content: bytes) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "write_bytes", full)
        with pytest.raises(WriteError, match="the disk is full"):
            session.save(CHANGE, revision=revision)
    assert snapshot(path.parent) == before
    assert session.now.revision == revision

"""Foreign claims on the names daemon, drivers, config: seen from records, from old lists and from the import path."""

from __future__ import annotations

from pathlib import Path

from daemon.app.names import foreign_claims


def distribution(folder: Path, name: str, files: dict[str, str]) -> Path:
    info = folder / f"{name}-1.2.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n")
    for file, text in files.items():
        (info / file).write_text(text)
    return folder


def test_a_record_that_lists_a_package_of_ours_is_a_claim(tmp_path: Path) -> None:
    distribution(tmp_path, "other", {"RECORD": "config/__init__.py,sha256=x,1\nother/a.py,,\n"})
    [claim] = foreign_claims([str(tmp_path)])
    assert "'config'" in claim
    assert "other 1.2" in claim
    assert str(tmp_path) in claim


def test_a_record_that_lists_a_module_of_ours_is_a_claim(tmp_path: Path) -> None:
    distribution(tmp_path, "other", {"RECORD": "other/a.py,,\ndrivers.py,sha256=x,1\n"})
    assert ["'drivers'" in claim for claim in foreign_claims([str(tmp_path)])] == [True]


def test_without_a_record_the_list_of_top_level_names_counts(tmp_path: Path) -> None:
    distribution(tmp_path, "old", {"top_level.txt": "daemon\nold\n"})
    assert ["'daemon'" in claim for claim in foreign_claims([str(tmp_path)])] == [True]


def test_names_that_only_contain_ours_are_no_claim(tmp_path: Path) -> None:
    record = "other/config/__init__.py,,\nconfigparser2/a.py,,\nmy_daemon.py,,\n"
    distribution(tmp_path, "other", {"RECORD": record})
    assert foreign_claims([str(tmp_path)]) == []


def test_our_own_record_is_no_claim(tmp_path: Path) -> None:
    distribution(tmp_path, "waterside", {"RECORD": "config/__init__.py,,\ndaemon/__init__.py,,\n"})
    assert foreign_claims([str(tmp_path)]) == []


def test_a_second_package_on_the_path_is_named_with_both_places(tmp_path: Path) -> None:
    for place in ("a", "b"):
        (tmp_path / place / "config").mkdir(parents=True)
        (tmp_path / place / "config" / "__init__.py").touch()
    [claim] = foreign_claims([str(tmp_path / "a"), str(tmp_path / "b")])
    assert str(tmp_path / "a") in claim
    assert str(tmp_path / "b") in claim


def test_the_same_folder_twice_on_the_path_is_no_claim(tmp_path: Path) -> None:
    (tmp_path / "config.py").touch()
    assert foreign_claims([str(tmp_path), f"{tmp_path}/."]) == []

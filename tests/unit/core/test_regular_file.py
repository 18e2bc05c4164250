"""Only plain files of a bounded size are read; whatever else has the name is told at once."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path

import pytest

from fem.core.regular_file import Unreadable, is_folder, read_regular


def test_a_plain_file_is_read_and_known_again_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"12345")
    (tmp_path / "link").symlink_to("a")
    assert read_regular(tmp_path / "a", 5).content == b"12345"
    assert read_regular(tmp_path / "link", 5) == read_regular(tmp_path / "a", 5)


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("folder", "is a folder"), ("pipe", "named pipe"), ("socket", "is a socket"), ("zero", "is a device"),
        ("loop", "cannot be read"), ("large", "is larger than 0.005 kB"), ("n" * 300, "cannot be read"),
        ("zero\0byte", "is no name of a file"), ("nowhere", "no such file"), ("dangling", "no such file"),
    ],
)  # fmt: skip
def test_anything_else_is_told_at_once(
    name: str, why: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # the name of a socket must be short
    Path("folder").mkdir()
    os.mkfifo("pipe")
    Path("zero").symlink_to("/dev/zero")
    Path("loop").symlink_to("loop")
    Path("dangling").symlink_to("nowhere")
    Path("large").write_bytes(b"123456")
    begin = time.monotonic()
    with socket.socket(socket.AF_UNIX) as made:
        made.bind("socket")
        with pytest.raises(Unreadable, match=why) as caught:
            read_regular(Path(name), 5)
    assert caught.value.missing == (name in {"nowhere", "dangling"})
    assert time.monotonic() - begin < 5.0
    assert is_folder(Path(name)) == (name == "folder")

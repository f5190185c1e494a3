"""A site whose registers and logs were written by somebody who wants to run a script, or to leave the folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from pipeline.reports.making import make_pages
from tests.night.berth import make_berth, record
from tests.reports.opened import opened

LINE = "<img src=x onerror=alert(1)>"
PLACES = ("../../../etc/passwd", "{{ 7 * 7 }}", '"><script>alert(2)</script>')


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of such a site."""
    root = tmp_path_factory.mktemp("hostile") / "b"
    names = (LINE, *PLACES)
    quoted = ['"' + name.replace('"', '""') + '"' for name in names]
    berth = make_berth(root, [f"{name},H{i},2026-03-02T00:00:00Z,,a,100" for i, name in enumerate(quoted, 1)])
    channels = [f"H{i},tension,load-pin,0.5,3000,H{i}," for i in range(1, len(names) + 1)]
    berth.write("channels.csv", "channel,quantity,kind,rate_hz,capacity,place,expected_every_h\n" + "\n".join(channels))
    rows = [f"{name},S1,rope,main,2026-01-01" for name in quoted]
    berth.write("lines.csv", "\n".join(("line,ship,spec,part,in_service", *rows)) + "\n")
    berth.edit("site.toml", '"Berth one"', '"</title><script>alert(3)</script> one"')
    for i in range(1, len(names) + 1):
        berth.deliver(f"hooks_{i}.csv", record("2026-03-02T06:00", hook=f"H{i}", low=100.0 + 300.0 * i))
    berth.deliver("<script>alert(4)<script>.csv", b"x")
    berth.night(through="2026-03-02")
    make_pages(root, root / "pages")
    return root / "pages"


def test_no_page_leaves_the_folder_whatever_lines_are_called(hostile: Path) -> None:
    assert {path.name for path in hostile.parent.iterdir()} >= {"pages", "site.toml"}
    assert not (hostile.parent.parent / "etc").exists()
    for path in hostile.rglob("*"):
        assert path.resolve().is_relative_to(hostile.resolve())
        assert path.name.isascii()


def test_names_are_text_on_every_page(hostile: Path) -> None:
    for path in hostile.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        for raw in ("<img", "<script>alert"):
            assert (path.name, raw in text) == (path.name, False)
    assert "{{ 7 * 7 }}" in (hostile / "index.html").read_text(encoding="utf-8")


def test_nothing_of_it_runs_and_it_is_all_there_to_be_read(browser: Browser, hostile: Path) -> None:
    for path in sorted(hostile.rglob("*.html")):
        with opened(browser, path) as found:
            assert (path.name, found.complaints, found.from_outside) == (path.name, [], [])
            assert found.page.locator("img").count() == 0
            if path.name == "index.html":
                heads = found.page.locator("#worst-table-table tbody th").all_inner_texts()
                assert set(heads) == {LINE, *PLACES}
                assert "<script>alert(3)</script>" in found.page.title()

"""A line loses its load on a small berth: the file is made by the command, and verified from its raw copies alone."""

from __future__ import annotations

import hashlib
import json
import math
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from pipeline.incident.answer import verified_text
from pipeline.incident.seal import check_seal, names_in, write_seal
from schemas.times import rfc3339_us
from tests.cli.command import tautlog
from tests.night.berth import Berth, Row, make_berth

LOSS = "2026-03-02T06:40:00Z"
EARLIER = "2026-02-10T05:00:00Z"
"""Weeks before both lines bore more, in another call; logs come in a file for each hook."""
SECOND = 1_000_000
FROM_US, LOSS_US = rfc3339_us("2026-03-02T06:00:00Z"), rfc3339_us(LOSS)
UNTIL_US = rfc3339_us("2026-03-02T07:20:00Z")


def _readings(hook: str) -> list[Row]:
    """Swell on both hooks; at `LOSS` the first loses all its load, and the second takes up half of it."""
    rows: list[Row] = []
    for at_us in range(FROM_US, UNTIL_US, SECOND):
        s = (at_us - FROM_US) / SECOND
        kn = 420.0 + 60.0 * math.sin(s / 5.0) + 25.0 * math.sin(s / 37.0 + 1.0)
        if at_us >= LOSS_US:
            kn = 1.5 if hook == "H1" else kn + 200.0
        rows.append((at_us, hook, round(kn, 1)))
    return rows


@pytest.fixture(scope="module")
def parted(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    earlier = [f"L{n},H{n},{EARLIER},2026-02-10T08:00:00Z,a,100" for n in (1, 2)]
    riggings = [*earlier, *(f"L{n},H{n},2026-03-02T05:00:00Z,,a,100" for n in (1, 2))]
    berth = make_berth(tmp_path_factory.mktemp("parted") / "b", riggings)
    for hook in ("H1", "H2"):
        rows = _readings(hook)
        cut = len(rows) // 3
        at_us = rfc3339_us(EARLIER) + 3600 * SECOND
        berth.deliver(f"hooks_{hook}_0.csv", [(at_us + i * SECOND, hook, 600.0 + i % 90) for i in range(300)])
        berth.deliver(f"hooks_{hook}_1.csv", rows[:cut])
        berth.deliver(f"hooks_{hook}_2.csv", rows[cut:])
    berth.night()
    return berth


def make(root: Path, out: Path, line: str = "L1") -> Any:
    ran = tautlog("incident", root, "--line", line, "--at", LOSS, "--window", "15", "--out", out, "--json")
    assert ran.code == 0, ran.err
    return ran.json


@pytest.fixture(scope="module")
def filed(parted: Berth, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("filed") / "incident"
    made = make(parted.root, out)
    assert made["loss_found"] is True
    assert abs(rfc3339_us(made["instant"]) - LOSS_US) <= SECOND
    return out


@pytest.fixture
def copy(filed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(filed, tmp_path / "elsewhere"))


def verified(folder: Path) -> Any:
    ran = tautlog("incident", "--verify", folder, "--workers", "serial", "--json")
    assert ran.code == (0 if ran.json["agrees"] else 1), ran.err
    return ran.json


def test_an_untouched_file_agrees_from_its_raw_copies_alone_and_is_left_as_it_was(
    copy: Path, filed: Path, parted: Berth
) -> None:
    hidden = parted.root.with_name("hidden")
    parted.root.rename(hidden)  # nothing of the site it was made from is there any more
    try:
        told = verified(copy)
    finally:
        hidden.rename(parted.root)
    assert (told["agrees"], told["rederived"], told["faults"], told["differences"]) == (True, True, [], [])
    assert (told["views_held"], told["other_versions"]) == (True, {})
    assert {name: (copy / name).read_bytes() for name in names_in(copy)} == {
        name: (filed / name).read_bytes() for name in names_in(filed)
    }


def test_a_neighbours_own_record_of_an_earlier_call_lies_in_the_file_too(filed: Path) -> None:
    record = json.loads((filed / "incident.json").read_bytes())
    for told, hook in zip(record["part_a"]["load"]["lines"], ("H1", "H2"), strict=True):
        highest = told["highest_ever"]
        assert (highest["value"], [ref["file"] for ref in highest["refs"]]) == (689.0, [f"hooks_{hook}_0.csv"])
        (ref,) = highest["refs"]
        lines = (filed / "raw" / ref["sha256"]).read_text().splitlines()
        assert lines[ref["line_no"] - 1].endswith(f"{hook},689.0")


def test_a_figure_changed_and_sealed_anew_is_named_by_its_number(copy: Path) -> None:
    record = json.loads((copy / "incident.json").read_bytes())
    figure = record["part_a"]["load"]["lines"][0]["highest"]
    figure["value"] = math.nextafter(figure["value"], math.inf)
    (copy / "incident.json").write_text(json.dumps(record, ensure_ascii=False, indent=1) + "\n")
    write_seal(copy)
    assert check_seal(copy).faults == []
    told = verified(copy)
    assert told["agrees"] is False
    assert any(difference.startswith(f"figure {figure['number']} ") for difference in told["differences"])


def test_figures_page_and_pdf_that_are_not_those_of_the_record_are_named_though_sealed_anew(copy: Path) -> None:
    for name in ("figures.json", "incident.html", "incident.pdf"):
        (copy / name).write_bytes((copy / name).read_bytes().replace(b"0", b"1", 1))
    write_seal(copy)
    told = verified(copy)
    assert [difference.split(":")[0] for difference in told["differences"]] == [
        "figures.json", "incident.html", "incident.pdf",
    ]  # fmt: skip


def test_a_reading_changed_in_a_raw_copy_and_everything_sealed_anew_is_found_by_the_figures(copy: Path) -> None:
    record_path = copy / "incident.json"
    record = json.loads(record_path.read_bytes())
    highest = record["part_a"]["load"]["lines"][0]["highest"]
    before = highest["refs"][0]["sha256"]
    content = (copy / "raw" / before).read_bytes().splitlines(keepends=True)
    line_no = highest["refs"][0]["line_no"]
    at, hook, kn = content[line_no - 1].decode().strip().split(",")
    content[line_no - 1] = f"{at},{hook},{float(kn) + 50.0:.1f}\n".encode()
    after = hashlib.sha256(b"".join(content)).hexdigest()
    (copy / "raw" / before).unlink()
    (copy / "raw" / after).write_bytes(b"".join(content))
    # Whoever does so names the new digest wherever the old one stood, and leaves the figures as they were.
    record_path.write_text(record_path.read_text().replace(before, after))
    write_seal(copy)
    told = verified(copy)
    assert any(difference.startswith(f"figure {highest['number']} ") for difference in told["differences"])


def test_the_same_site_filled_in_another_order_makes_the_same_file_to_the_byte(
    parted: Berth, filed: Path, tmp_path: Path
) -> None:
    other = Berth(Path(shutil.copytree(parted.emptied().root, tmp_path / "other")))
    for name, data in sorted(parted.delivered.items(), reverse=True):
        other.deliver(name, data)
        other.night()
    make(other.root, tmp_path / "again")
    again = tmp_path / "again"
    assert names_in(again) == names_in(filed)
    assert [n for n in names_in(filed) if (again / n).read_bytes() != (filed / n).read_bytes()] == []


def test_every_link_of_the_page_arrives_and_part_a_has_neither_wear_nor_links_into_part_b(filed: Path) -> None:
    page = (filed / "incident.html").read_text(encoding="utf-8")
    links, ids = re.findall(r'href="#([^"]+)"', page), re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert set(links) - set(ids) == set()
    before, rest = page.split('<section class="part part-b"')
    after = rest.split("</section>")[0]  # registers stand in the section of the folder, and both parts lead there
    part_a = before.split('<section class="part"')[1]
    in_b = set(re.findall(r' id="([^"]+)"', after))
    assert set(re.findall(r'href="#([^"]+)"', part_a)) & in_b == set()
    for word in ("severity index", "fatigue", "creep", "abrasion", "life used"):
        assert word not in part_a.lower()


def test_the_pdf_opens_and_leads_from_figures_to_raw_lines(filed: Path) -> None:
    reader = PdfReader(filed / "incident.pdf")
    text = " ".join(page.extract_text() for page in reader.pages)
    for words in ("Register of figures of Part A", "Raw lines of Part A", "hooks_H1_2.csv", "No cause is named"):
        assert words in " ".join(text.split())
    links = sum(1 for page in reader.pages for note in page.get("/Annots", []) if "/Dest" in note.get_object())
    assert links > 50


def test_what_the_command_prints_names_no_cause_and_tells_to_keep_clear(parted: Berth, tmp_path: Path) -> None:
    ran = tautlog("incident", parted.root, "--line", "L1", "--at", LOSS, "--out", tmp_path / "out")
    assert ran.code == 0
    for words in ("No cause is named.", "Lines under tension kill: keep clear.", "SHA-256 of its manifest"):
        assert words in ran.out
    assert hashlib.sha256((tmp_path / "out" / "manifest.sha256").read_bytes()).hexdigest() in ran.out


def test_a_line_that_lost_nothing_makes_a_file_that_says_so_and_other_versions_say_what_they_did_not_hold(
    parted: Berth, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    made = make(parted.root, out, line="L2")
    assert (made["loss_found"], made["instant"]) == (False, None)
    made_with = json.loads((out / "made-with.json").read_bytes())
    here, made_with["versions"]["numpy"] = made_with["versions"]["numpy"], "0.9"
    (out / "made-with.json").write_text(json.dumps(made_with))
    (out / "incident.pdf").write_bytes(b"not what the record says")
    write_seal(out)
    told = verified(out)
    assert (told["agrees"], told["views_held"]) == (True, False)
    assert told["other_versions"] == {"numpy": {"filed": "0.9", "here": here}}
    text = verified_text(told)
    assert "NOT made again and held, as other versions made them: numpy 0.9 (here" in text
    assert "byte for byte" not in text

"""The seal: every byte is covered, what was altered is named, and other people's programs agree with it."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import DataError
from pipeline.incident.seal import (
    BESIDE,
    MANIFEST,
    REQUEST,
    SEAL,
    WITNESS,
    check_seal,
    manifest_bytes,
    names_in,
    read_manifest,
    request_bytes,
    write_seal,
)

SEED = 20261025
CHANGES = 240
NAMES = st.text(st.characters(exclude_characters="/\x00", exclude_categories=["Cs"]), min_size=1, max_size=20)


@pytest.fixture
def copy(folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(folder, tmp_path / "copy"))


def test_an_untouched_folder_has_no_fault(folder: Path) -> None:
    checked = check_seal(folder)
    assert (checked.faults, checked.beside) == ([], [])
    assert checked.files == len(names_in(folder)) - len(SEAL)
    assert checked.manifest_sha256 == hashlib.sha256((folder / MANIFEST).read_bytes()).hexdigest()


def test_each_of_hundreds_of_single_byte_changes_is_found_and_names_the_file(folder: Path) -> None:
    names = names_in(folder)
    draw = random.Random(SEED)
    # Every file several times over, those of the seal most; then any byte of all, as likely as any other.
    sizes = {name: (folder / name).stat().st_size for name in names}
    chosen = names + list(SEAL) * 12 + draw.choices(names, [sizes[name] for name in names], k=CHANGES)
    found = 0
    for name in chosen:
        path = folder / name
        before = path.read_bytes()
        if not before:
            continue
        at, other = draw.randrange(len(before)), draw.randrange(1, 256)
        path.write_bytes(before[:at] + bytes([before[at] ^ other]) + before[at + 1 :])
        try:
            faults = check_seal(folder).faults
        finally:
            path.write_bytes(before)
        assert [fault.split(":")[0] for fault in faults] == [name], (name, at, faults)
        found += 1
    assert found >= CHANGES
    assert check_seal(folder).faults == []


def test_what_is_missing_added_or_no_file_is_named(copy: Path) -> None:
    (copy / "raw" / "guest").write_bytes(b"x")
    (copy / "incident.pdf").unlink()
    (copy / "figures.json").unlink()
    (copy / "figures.json").symlink_to("incident.json")
    (copy / "samples" / "flags.csv").write_bytes((copy / "samples" / "flags.csv").read_bytes() + b"\n")
    assert check_seal(copy).faults == [
        "figures.json: not a file",
        "incident.pdf: missing",
        "raw/guest: not in the manifest",
        "samples/flags.csv: altered: its SHA-256 is not that of the manifest",
    ]


@pytest.mark.parametrize("name", SEAL)
def test_a_missing_file_of_the_seal_is_named(copy: Path, name: str) -> None:
    (copy / name).unlink()
    assert [fault.split(":")[0] for fault in check_seal(copy).faults] == [name]


def test_a_stamp_and_a_signature_may_be_laid_beside_the_seal_and_nothing_else(copy: Path) -> None:
    for name in BESIDE:
        (copy / name).write_bytes(b"whatever an authority answered")
    checked = check_seal(copy)
    assert (checked.faults, checked.beside) == ([], sorted(BESIDE))
    (copy / "manifest.sha256.bak").write_bytes(b"")
    assert check_seal(copy).faults == ["manifest.sha256.bak: not in the manifest"]


def test_a_folder_sealed_anew_after_a_change_is_not_found_by_the_seal_as_the_read_me_says(copy: Path) -> None:
    before = check_seal(copy).manifest_sha256
    (copy / "samples" / "flags.csv").write_bytes(b"nothing was flagged\n")
    write_seal(copy)
    checked = check_seal(copy)
    assert checked.faults == []
    assert checked.manifest_sha256 != before
    assert "WHAT THIS CANNOT FIND" in (copy / "READ-ME.txt").read_text()


def test_a_folder_without_a_seal_is_no_incident_file(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="not an incident file"):
        check_seal(tmp_path)


@given(st.dictionaries(NAMES, st.binary(min_size=32, max_size=32).map(bytes.hex), max_size=8))
def test_a_manifest_is_read_back_as_written_whatever_files_are_called(digests: dict[str, str]) -> None:
    assert read_manifest(manifest_bytes(digests)) == digests


@given(st.binary(max_size=300))
def test_bytes_that_are_no_manifest_are_refused_and_never_read_as_another(content: bytes) -> None:
    try:
        found = read_manifest(content)
    except ValueError:
        return
    assert manifest_bytes(found) == content


def test_sha256sum_agrees_also_on_odd_names(tmp_path: Path) -> None:
    # GNU coreutils is the outside check: format and escapes of its manual, section "cksum general options".
    for name in ("plain.txt", "with space", "back\\slash", "new\nline", "\xe9t\xe9", "-dash"):
        (tmp_path / name).write_bytes(name.encode())
    write_seal(tmp_path)
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", WITNESS, MANIFEST], cwd=tmp_path, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.count(": OK") == 7
    (tmp_path / "new\nline").write_bytes(b"changed")
    done = subprocess.run(["sha256sum", "--check", MANIFEST], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stdout.count(": OK") == 5


def test_openssl_reads_the_request_as_one_of_the_manifest_without_a_nonce(folder: Path) -> None:
    told = _openssl("ts", "-query", "-in", str(folder / REQUEST), "-text")
    # openssl prints the imprint as a dump of sixteen bytes a line.
    dump = [line.split(" - ")[1][:49].replace("-", " ") for line in told.splitlines() if " - " in line]
    digest = hashlib.sha256((folder / MANIFEST).read_bytes()).digest()
    assert bytes.fromhex("".join(dump)) == digest
    assert "Hash Algorithm: sha256" in told
    assert "Nonce: unspecified" in told
    assert "Certificate required: yes" in told


def test_the_request_is_the_very_bytes_that_openssl_makes(tmp_path: Path) -> None:
    (tmp_path / "data").write_bytes(b"a manifest")
    _openssl(
        "ts", "-query", "-data", str(tmp_path / "data"), "-sha256", "-cert", "-no_nonce", "-out", str(tmp_path / "q")
    )
    assert request_bytes(b"a manifest") == (tmp_path / "q").read_bytes()


def test_an_authoritys_answer_to_the_request_holds_for_the_folder_and_for_no_other(copy: Path, tmp_path: Path) -> None:
    authority = _authority(tmp_path / "tsa")
    answer = str(copy / "manifest.tsr")
    _openssl("ts", "-reply", "-queryfile", str(copy / REQUEST), "-config", str(authority / "tsa.cnf"), "-out", answer)
    check = ("ts", "-verify", "-in", answer, "-CAfile", str(authority / "ca.pem"))
    assert "Verification: OK" in _openssl(*check, "-queryfile", str(copy / REQUEST))
    assert "Verification: OK" in _openssl(*check, "-data", str(copy / MANIFEST))
    checked = check_seal(copy)
    assert (checked.faults, checked.beside) == ([], ["manifest.tsr"])
    (copy / "samples" / "flags.csv").write_bytes(b"nothing was flagged\n")
    write_seal(copy)
    assert "Verification: OK" not in _openssl(*check, "-queryfile", str(copy / REQUEST), fails=True)


def _openssl(*words: str, fails: bool = False) -> str:
    done = subprocess.run(["openssl", *words], capture_output=True, text=True)
    assert (done.returncode != 0) == fails, done.stderr
    return done.stdout + done.stderr


def _authority(folder: Path) -> Path:
    """A time-stamp authority for one test: a certificate of its own, and the settings that openssl asks for."""
    folder.mkdir()
    (folder / "serial").write_text("01\n")
    settings = f"""[req]
distinguished_name = name
x509_extensions = of_it
prompt = no
[name]
CN = an authority of this test
[of_it]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
[tsa]
default_tsa = here
[here]
serial = {folder}/serial
signer_cert = {folder}/ca.pem
signer_key = {folder}/ca.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
accuracy = secs:1
"""
    (folder / "tsa.cnf").write_text(settings)
    made = ("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-config", f"{folder}/tsa.cnf")
    _openssl(*made, "-keyout", f"{folder}/ca.key", "-out", f"{folder}/ca.pem")
    assert os.path.exists(folder / "ca.pem")
    return folder

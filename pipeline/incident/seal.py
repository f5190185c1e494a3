"""The seal of a folder: a manifest of SHA-256 digests, and two witnesses of the manifest's own digest.

`manifest.sha256` names every file but the three of the seal. `seal.sha256` names the manifest, and so does the message
imprint of `manifest.tsq`, a time-stamp request (RFC 3161). All three follow from the folder's bytes, so that what a
byte of any of them should be can be reckoned, and one byte altered anywhere is found and named. What this cannot find:
somebody who alters a file and makes the seal anew. That takes a witness outside the folder: the manifest's digest on a
custody form, a time-stamp authority's answer, or a detached signature.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import DataError
from pipeline.store.files import digest_of

MANIFEST = "manifest.sha256"
WITNESS = "seal.sha256"
REQUEST = "manifest.tsq"
SEAL = (MANIFEST, WITNESS, REQUEST)
BESIDE = ("manifest.tsr", "manifest.sha256.sig", "manifest.sha256.asc", "manifest.sha256.p7s")
"""What may be laid beside the seal later: a time-stamp authority's answer, and a detached signature of the manifest."""

_LINE = re.compile(rb"(\\?)([0-9a-f]{64})  (.+)")


@dataclass
class Checked:
    """What became of a folder's bytes. `faults`: what is wrong, each beginning with the item's name; empty: nothing.

    `beside`: files laid beside the seal later, which no manifest names.
    """

    manifest_sha256: str
    files: int
    faults: list[str] = field(default_factory=list)
    beside: list[str] = field(default_factory=list)


def write_seal(folder: Path) -> str:
    """Seal a folder as it stands; returns the SHA-256 of its manifest."""
    manifest = manifest_bytes(_digests(folder, [name for name in names_in(folder) if name not in SEAL]))
    digest = hashlib.sha256(manifest).hexdigest()
    (folder / MANIFEST).write_bytes(manifest)
    (folder / REQUEST).write_bytes(request_bytes(manifest))
    (folder / WITNESS).write_bytes(manifest_bytes({MANIFEST: digest}))
    return digest


def manifest_bytes(digests: Mapping[str, str]) -> bytes:
    """Digests by name as `sha256sum` writes and checks them, sorted by name; odd names escaped as it escapes them."""
    return b"".join(_line(name, digest) for name, digest in sorted(digests.items()))


def read_manifest(content: bytes) -> dict[str, str]:
    """Digests by name of a manifest's bytes; ValueError: not, to the byte, what `manifest_bytes` makes."""
    found: dict[str, str] = {}
    for line in content.split(b"\n")[:-1]:
        match = _LINE.fullmatch(line)
        if match is None:
            raise ValueError(f"no line of a manifest: {line[:80]!r}")
        name = os.fsdecode(_unescaped(match[3]) if match[1] else match[3])
        found[name] = match[2].decode()
    if manifest_bytes(found) != content:
        raise ValueError("lines out of order, twice there, or not ended")
    return found


def request_bytes(manifest: bytes) -> bytes:
    """A time-stamp request for a manifest, DER: SHA-256, certificates asked for, no nonce.

    Source: RFC 3161, 2.4.1. Without a nonce (which RFC 3161 makes optional) it is the same bytes whenever it is made;
    its message imprint ties the answer to the manifest.
    """
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder

    made = TimestampRequestBuilder().data(manifest).hash_algorithm(HashAlgorithm.SHA256)
    return made.nonce(nonce=False).cert_request(cert_request=True).build().as_bytes()


def names_in(folder: Path) -> list[str]:
    """Names of all files below a folder, parts parted by `/`, in order; of links and all else that is no file too."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if _counts(path))


def check_seal(folder: Path) -> Checked:
    """Hold every byte of a folder against its seal. DataError: no seal at all, so that it is no incident file."""
    there = {name: (folder / name).read_bytes() for name in SEAL if (folder / name).is_file()}
    if MANIFEST not in there and WITNESS not in there:
        raise DataError(
            "not an incident file: it has neither manifest nor seal",
            file=folder,
            expected=f"a folder made by `tautlog incident`, with {MANIFEST} in it",
        )
    manifest = there.get(MANIFEST, b"")
    out = Checked(hashlib.sha256(manifest).hexdigest(), 0)
    out.faults += _of_the_seal(there)
    try:
        digests = read_manifest(manifest)
    except ValueError as error:
        if not any(fault.startswith(f"{MANIFEST}:") for fault in out.faults):
            out.faults.append(f"{MANIFEST}: not a manifest ({error})")
        return out
    trusted = not any(fault.startswith(f"{MANIFEST}:") for fault in out.faults)
    out.files = len(digests)
    found = [name for name in names_in(folder) if name not in SEAL]
    out.beside = [name for name in found if name in BESIDE]
    out.faults += list(_of_the_files(folder, digests, found)) if trusted else []
    return out


def _of_the_seal(there: Mapping[str, bytes]) -> Iterator[str]:
    """What is wrong with the three files of the seal, by whom two of the three agree with."""
    manifest = there.get(MANIFEST, b"")
    expected = {WITNESS: manifest_bytes({MANIFEST: hashlib.sha256(manifest).hexdigest()})}
    expected[REQUEST] = request_bytes(manifest) if manifest else b""  # of nothing there is no request
    if MANIFEST not in there:
        yield f"{MANIFEST}: missing"
    wrong = [name for name in (WITNESS, REQUEST) if there.get(name) != expected[name]]
    if len(wrong) == 2 and MANIFEST in there:
        yield f"{MANIFEST}: altered: neither {WITNESS} nor {REQUEST} is that of this manifest"
    elif MANIFEST in there:
        for name in wrong:
            other = WITNESS if name == REQUEST else REQUEST
            yield f"{name}: {'altered' if name in there else 'missing'} (the manifest is the one that {other} names)"


def _digests(folder: Path, names: Sequence[str]) -> dict[str, str]:
    """SHA-256 of some files by name; hashing leaves the interpreter free, so that several are read at once."""
    with ThreadPoolExecutor() as hands:
        return dict(zip(names, hands.map(lambda name: digest_of(folder / name), names), strict=True))


def _of_the_files(folder: Path, digests: Mapping[str, str], found: list[str]) -> Iterator[str]:
    whole = {name for name in found if not (folder / name).is_symlink() and (folder / name).is_file()}
    now = _digests(folder, sorted(whole & digests.keys()))
    for name in sorted({*digests, *found} - set(BESIDE)):
        if name not in digests:
            yield f"{name}: not in the manifest"
        elif name not in found:
            yield f"{name}: missing"
        elif name not in whole:
            yield f"{name}: not a file"
        elif now[name] != digests[name]:
            yield f"{name}: altered: its SHA-256 is not that of the manifest"


def _counts(path: Path) -> bool:
    return path.is_symlink() or not path.is_dir()


def _line(name: str, digest: str) -> bytes:
    plain = os.fsencode(name)
    odd = any(byte in plain for byte in (b"\\", b"\n", b"\r"))
    escaped = plain.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    return b"%s%s  %s\n" % (b"\\" if odd else b"", digest.encode(), escaped)


def _unescaped(name: bytes) -> bytes:
    return re.sub(rb"\\(.)", lambda m: {b"n": b"\n", b"r": b"\r"}.get(m[1], m[1]), name)

"""Inputs of the fuzzer: the input of a number is always the same, for one seed and one corpus."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from ops.fuzz_recipes import NASTY_CELLS, NASTY_STAMPS, RECIPES, Recipe

CORPUS = Path(__file__).parent.parent / "tests" / "readers" / "corpus"
SUFFIXES = {"": "plain", ".gz": "gzip", ".zst": "Zstandard"}
LONGEST_OF = 4000
"""One input out of so many holds a line of more than a MiB."""


@dataclass(frozen=True)
class Input:
    """A file for a recipe's reader. `suffix`: "", ".gz" or ".zst". `content`: what it unpacks to, where that is
    known."""

    recipe: str
    suffix: str
    data: bytes
    content: bytes | None = None

    @property
    def name(self) -> str:
        """The file's name, of which the ending tells the compression."""
        return f"fuzz.log{self.suffix}"


def input_of(path: Path) -> Input:
    """A kept input: the folder is its recipe."""
    suffix = path.suffix if path.suffix in SUFFIXES else ""
    return Input(path.parent.name, suffix, path.read_bytes())


def corpus_files(folder: Path = CORPUS) -> list[Path]:
    """All kept inputs, those that failed too."""
    return sorted(path for path in folder.rglob("*.log*") if path.parent.name in RECIPES)


def corpus_lines() -> Mapping[str, Sequence[bytes]]:
    """Lines of the kept plain inputs, by recipe: what is spliced into new ones."""
    lines: dict[str, list[bytes]] = {name: [] for name in RECIPES}
    for path in corpus_files():
        if path.suffix not in (".gz", ".zst"):
            kept = path.read_bytes()[:20_000].splitlines(keepends=True)
            lines[path.parent.name] += [line for line in kept[:50] if len(line) < 4000]
    return lines


def make_input(seed: int, number: int, lines: Mapping[str, Sequence[bytes]]) -> Input:
    """Input `number` of a seed: a made-up log of one recipe in turn, mutated none to a few times."""
    rng = Random((seed << 40) | number)
    names = list(RECIPES)
    recipe = RECIPES[names[number % len(names)]]
    data = recipe.make(rng)
    for _ in range(rng.choice((0, 1, 1, 1, 2, 2, 3, 5))):
        data = rng.choice(_MUTATIONS)(rng, data, recipe, lines[recipe.name])
    data = data[:8000]
    if rng.randrange(LONGEST_OF) == 0:
        at = rng.randrange(len(data) + 1)
        data = data[:at] + b"7" * rng.randrange((1 << 20) - 20, (1 << 20) + 4000) + data[at:]
    suffix = rng.choice(("", "", "", "", ".gz", ".zst"))
    if not suffix:
        return Input(recipe.name, suffix, data, data)
    packed = _packed(rng, data, suffix)
    mutated = packed
    if rng.random() < 0.4:
        mutated = rng.choice(_STREAM_MUTATIONS)(rng, packed)
    return Input(recipe.name, suffix, mutated, data if mutated == packed else None)


def _packed(rng: Random, data: bytes, suffix: str) -> bytes:
    """One to three members or frames."""
    cuts = sorted(rng.randrange(len(data) + 1) for _ in range(rng.choice((0, 0, 0, 1, 2))))
    parts = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    return b"".join(map(gzipped if suffix == ".gz" else zstandard_of, parts))


def gzipped(data: bytes) -> bytes:
    """One gzip member."""
    packer = zlib.compressobj(1, wbits=31)
    return packer.compress(data) + packer.flush()


def zstandard_of(data: bytes) -> bytes:
    """One Zstandard frame, with its checksum."""
    import zstandard

    return zstandard.ZstdCompressor(level=1, write_checksum=True).compress(data)


Mutation = Callable[[Random, bytes, Recipe, Sequence[bytes]], bytes]


def _flip(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    changed = bytearray(data or b"\0")
    for _ in range(rng.choice((1, 1, 2, 8))):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _random_bytes(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    return _inserted(rng, data, rng.randbytes(rng.choice((1, 2, 3, 17))))


def _delete(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + data[at + rng.choice((1, 1, 2, 10, 100)) :]


def _double(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    part = data[at : at + rng.choice((1, 5, 30, 200))]
    return _inserted(rng, data, part * rng.choice((1, 1, 2, 20)))


def _cut(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _mark(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    """A character that ends, parts or quotes something, in the file's own encoding or not."""
    mark = rng.choice(
        (recipe.layout.text.separator, '"', "\r", "\n", "\r\n", "\0", "\ufeff", "\x85", "\u2028", ",", ".")
    )
    mark *= rng.choice((1, 1, 1, 2, 50))
    encoding = recipe.layout.text.encoding if rng.random() < 0.8 else rng.choice(("utf-8", "utf-16-le", "latin-1"))
    return _inserted(rng, data, mark.encode(encoding, "replace"))


def _word(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    """A nasty cell or time in place of a field."""
    encoding = recipe.layout.text.encoding
    unmarked = {"utf-16": "utf-16-le"}.get(encoding, encoding)
    separator = (recipe.layout.text.separator if recipe.reader != "sentences" else ",").encode(unmarked)
    fields = data.split(separator)
    word = rng.choice(NASTY_CELLS if rng.random() < 0.5 else NASTY_STAMPS)
    line_feed = "\n".encode(unmarked)
    at = rng.randrange(len(fields))
    before, feed, _ = fields[at].partition(line_feed) if rng.random() < 0.5 else (b"", b"", b"")
    fields[at] = before + feed + word.encode(unmarked, "replace")
    return separator.join(fields)


def _splice(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    """A line of the corpus, or of this very input, between two lines."""
    own = data.splitlines(keepends=True)
    line = rng.choice(lines) if lines and rng.random() < 0.7 else rng.choice(own or [b""])
    at = rng.randrange(len(own) + 1)
    return b"".join([*own[:at], line, *own[at:]])


def _swap(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    own = data.splitlines(keepends=True)
    rng.shuffle(own)
    return b"".join(own)


def _long(rng: Random, data: bytes, recipe: Recipe, lines: Sequence[bytes]) -> bytes:
    """Something of some thousand bytes within a line."""
    unit = rng.choice((b"9", b'"', b"0", b"x", recipe.layout.text.separator.encode(), b"\0", b"e", b" ", b"\xc3\xa9"))
    return _inserted(rng, data, unit * rng.choice((64, 300, 4400)))


def _inserted(rng: Random, data: bytes, part: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + part + data[at:]


_MUTATIONS: tuple[Mutation, ...] = (
    *(_flip, _random_bytes, _delete, _double, _cut, _mark, _mark, _word, _word, _word, _splice, _splice, _swap),
    _long,
)


def _stream_cut(rng: Random, data: bytes) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _stream_flip(rng: Random, data: bytes) -> bytes:
    changed = bytearray(data)
    changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _stream_tail(rng: Random, data: bytes) -> bytes:
    return data + rng.choice((b"\0", b"\0" * 600, b"x", rng.randbytes(20), data[:5], b"\x1f\x8b", b"\x28\xb5\x2f\xfd"))


def _skippable(rng: Random, data: bytes) -> bytes:
    size = rng.choice((0, 3, 300))
    frame = (0x184D2A50 + rng.randrange(16)).to_bytes(4, "little") + size.to_bytes(4, "little") + bytes(size)
    return frame + data if rng.random() < 0.5 else data + frame


_STREAM_MUTATIONS: tuple[Callable[[Random, bytes], bytes], ...] = (_stream_cut, _stream_flip, _stream_tail, _skippable)

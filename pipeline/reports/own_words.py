"""What the program's own source says of itself: docstrings, signatures and constants, read and not run.

The sources ship with the program, so that what a page shows of a function is what stands at its head, word for word.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from pipeline.errors import Bug


@dataclass(frozen=True)
class Said:
    """A function, class or constant: its signature or value as it is written, and what it says of itself."""

    name: str
    written: str
    words: str


@dataclass(frozen=True)
class Source:
    """A module: its docstring, and by name what it defines at its head level."""

    module: str
    words: str
    said: Mapping[str, Said]


@cache
def source_of(module: str) -> Source:
    """A module of the program, read from its source. Bug: it has none, or no docstring."""
    top, *below = module.split(".")
    beside = files(top).joinpath(*below[:-1])
    file = beside / f"{below[-1]}.py"
    if not file.is_file():
        file = beside / below[-1] / "__init__.py"
    if not file.is_file():
        raise Bug(f"no source of {module}")
    tree = ast.parse(file.read_text(encoding="utf-8"))
    words = ast.get_docstring(tree)
    if words is None:
        raise Bug(f"{module} says nothing of itself")
    return Source(module, words, _defined(tree))


def _defined(tree: ast.Module) -> dict[str, Said]:
    found: dict[str, Said] = {}
    for at, node in enumerate(tree.body):
        if isinstance(node, ast.FunctionDef):
            found[node.name] = Said(node.name, _signature(node), ast.get_docstring(node) or "")
        elif isinstance(node, ast.ClassDef):
            found[node.name] = Said(node.name, "", ast.get_docstring(node) or "")
        elif isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            after = tree.body[at + 1] if at + 1 < len(tree.body) else None
            for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                if isinstance(target, ast.Name):
                    found[target.id] = Said(target.id, ast.unparse(node.value), _string(after))
    return found


def _signature(node: ast.FunctionDef) -> str:
    gives = "" if node.returns is None else f" -> {ast.unparse(node.returns)}"
    return f"({ast.unparse(node.args)}){gives}"


def _string(node: ast.stmt | None) -> str:
    """The text that stands by itself after a constant; nothing where something else does."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
        return node.value.value
    return ""


def paragraphs(words: str) -> list[dict[str, object]]:
    """A docstring as paragraphs. `kind`: text, or pre for indented lines that keep their shape; `limits`: it says where
    the method ends. `parts`: pieces of text, and whether each is code (it stood between backticks).
    """
    found: list[dict[str, object]] = []
    for block in words.strip("\n").split("\n\n"):
        lines = [line.rstrip() for line in block.split("\n") if line.strip()]
        if not lines:
            continue
        if all(line.startswith("    ") for line in lines):
            found.append({"kind": "pre", "limits": False, "parts": [("\n".join(lines), True)]})
            continue
        text = " ".join(line.strip() for line in lines)
        pieces = [(piece, at % 2 == 1) for at, piece in enumerate(text.split("`")) if piece]
        found.append({"kind": "text", "limits": text.startswith("Limits"), "parts": pieces})
    return found

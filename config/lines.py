"""The line of every key of a TOML text, by its path.

The one place that uses tree-sitter, and only when a finding has to be placed: a good file never loads it.
Imports nothing of ours but `config.findings`.
"""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

from config.findings import Path

if TYPE_CHECKING:
    from tree_sitter import Node


class Lines:
    """Lines of a text, counted from 1. `of(path)` gives the line of the nearest part of the path that is written."""

    def __init__(self, text: str) -> None:
        import tree_sitter
        import tree_sitter_toml

        self._at: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language()))
        top: Path = ()
        for node in parser.parse(text.encode("utf-8", "replace")).root_node.named_children:
            if node.type == "pair":
                self._pair(node, ())
            elif node.type in ("table", "table_array_element"):
                top = self._header(node)
                for child in node.named_children:
                    if child.type == "pair":
                        self._pair(child, top)

    def of(self, path: Path) -> int:
        """The line of a path, or of the longest beginning of it that has one; 1 for an empty path."""
        for n in range(len(path), 0, -1):
            if path[:n] in self._at:
                return self._at[path[:n]]
        return 1

    def _header(self, node: Node) -> Path:
        line = node.start_point[0] + 1
        keys = _keys(node.named_children[0]) if node.named_children else ()
        path: Path = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            last = i == len(keys) - 1
            self._at.setdefault(path, line)
            if last and node.type == "table_array_element":
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
                self._at.setdefault(path, line)
        return path

    def _pair(self, node: Node, above: Path) -> None:
        if len(node.named_children) < 2:
            return
        path = above
        for key in _keys(node.named_children[0]):
            path = (*path, key)
            self._at.setdefault(path, node.start_point[0] + 1)
        self._value(node.named_children[1], path)

    def _value(self, node: Node, path: Path) -> None:
        if node.type == "inline_table":
            for child in node.named_children:
                if child.type == "pair":
                    self._pair(child, path)
        elif node.type == "array":
            for i, child in enumerate(c for c in node.named_children if c.type != "comment"):
                self._at.setdefault((*path, i), child.start_point[0] + 1)
                self._value(child, (*path, i))


def _keys(node: Node) -> tuple[str, ...]:
    """The parts of a key as TOML reads them, quotes and escapes undone."""
    text = (node.text or b"").decode("utf-8", "replace")
    try:
        here: object = tomllib.loads(f"{text} = 0")
    except tomllib.TOMLDecodeError:
        return (text,)
    keys: list[str] = []
    while isinstance(here, dict):
        key = next(iter(here))
        keys.append(key)
        here = here[key]
    return tuple(keys)

"""KiCad's text files as nested lists: atoms are `str`, quoted text is `Quoted`."""

from __future__ import annotations

import re
from collections.abc import Iterator


class Quoted(str):
    """A string that stood in quotation marks."""

    __slots__ = ()


Node = list["Node | str"]
_TOKEN = re.compile(r'\s*(?:(\()|(\))|"((?:[^"\\]|\\.)*)"|([^\s()"]+))')


def parse(text: str) -> Node:
    """The outermost list of a file."""
    stack: list[Node] = [[]]
    for match in _TOKEN.finditer(text):
        opening, closing, quoted, atom = match.groups()
        if opening:
            stack.append([])
        elif closing:
            done = stack.pop()
            stack[-1].append(done)
        elif quoted is not None:
            stack[-1].append(Quoted(quoted.replace('\\"', '"').replace("\\\\", "\\")))
        else:
            stack[-1].append(atom)
    first = stack[0][0]
    if len(stack) != 1 or isinstance(first, str):
        raise ValueError("brackets do not match")
    return first


def dump(node: Node | str, indent: int = 0) -> str:
    if isinstance(node, Quoted):
        return '"' + node.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(node, str):
        return node
    if all(isinstance(item, str) for item in node):
        return "(" + " ".join(dump(item) for item in node) + ")"
    text, pad = "(", "\n" + " " * (indent + 2)
    for k, item in enumerate(node):
        if isinstance(item, str):
            text += (" " if k else "") + dump(item)
        else:
            text += (pad if k else "") + dump(item, indent + 2)
    return text + "\n" + " " * indent + ")"


def children(node: Node, name: str) -> Iterator[Node]:
    for item in node:
        if not isinstance(item, str) and item and item[0] == name:
            yield item


def child(node: Node, name: str) -> Node | None:
    return next(children(node, name), None)


def numbers(node: Node) -> list[float]:
    """The numbers behind a list's name; words among them are left out."""
    found = []
    for item in node[1:]:
        if isinstance(item, str):
            try:
                found.append(float(item))
            except ValueError:
                continue
    return found


def text(node: Node, place: int = 1) -> str:
    item = node[place]
    if not isinstance(item, str):
        raise ValueError(f"{node[0]}: a word was expected")
    return str(item)

"""Lines of the keys of a TOML file, which the standard library's reader does not tell."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

__all__ = ["key_lines"]

Keys = tuple[str, ...]

# Keys deeper than this stand at the line of the table around them; no record of ours is.
_DEEPEST = 32
# Longest first: three quotes before one.
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_PLAIN_VALUE = re.compile(r"[^\s,\[\]{}#=\"']+")
_ESCAPE = re.compile(r'\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|([btnfre"\\]))')
_SHORT_ESCAPES = dict(zip('btnfre"\\', '\b\t\n\f\r\x1b"\\', strict=True))


def key_lines(text: str) -> dict[Keys, int]:
    """Line of every key of a TOML text, by its path from the top of the file.

    The tables of a list are counted from 1: the key ``share`` of the second step in
    ``replace = [{…}, {…}]`` or below the second ``[[x.replace]]`` is at
    ``("x", "replace[2]", "share")``. Text that is not valid TOML gives what was understood of it.

    Parameters
    ----------
    text
        Lines end in a line feed, with or without a carriage return before it.
    """
    scan = _Scan(text)
    scan.run()
    return scan.found


@dataclass(slots=True)
class _Level:
    """An open bracket of a value: a list at a path, or a table whose keys are below it."""

    path: Keys
    is_list: bool
    items: int = 0


@dataclass(slots=True)
class _Scan:
    text: str
    at: int = 0
    line: int = 1
    found: dict[Keys, int] = field(default_factory=dict)
    lists: dict[Keys, int] = field(default_factory=dict)
    """Number of tables so far in each list of tables that headers made."""

    def run(self) -> None:
        prefix: Keys = ()
        while self._skip(blank=" \t\r\n"):
            if self.text[self.at] == "[":
                prefix = self._header()
            else:
                key = self._key()
                if key and self._take("="):
                    self._note((*prefix, *key))
                    self._value((*prefix, *key))
                else:
                    self._to_line_end()

    def _header(self) -> Keys:
        is_list = self.text.startswith("[[", self.at)
        self.at += 2 if is_list else 1
        key = self._key()
        line = self.line
        self._to_line_end()
        path: Keys = ()
        for place, part in enumerate(key):
            path = (*path, part)
            if path in self.lists and not (is_list and place == len(key) - 1):
                path = (*path[:-1], f"{part}[{self.lists[path]}]")
        if is_list and path:
            self.lists[path] = number = self.lists.get(path, 0) + 1
            self.found.setdefault(path, line)
            path = (*path[:-1], f"{path[-1]}[{number}]")
        self._note(path, line)
        return path

    def _value(self, path: Keys) -> None:
        """Step over a value, noting the keys in it; without recursion, however deep it is."""
        levels: list[_Level] = []
        while True:
            # A value at `path` starts here.
            if not self._skip(blank=" \t\r\n" if levels else " \t"):
                return
            sign = self.text[self.at]
            if sign in "[{":
                self.at += 1
                levels.append(_Level(path, sign == "["))
            elif not self._scalar():
                self._to_line_end()
                return
            following = self._next_path(levels)
            if following is None:
                return
            path = following

    def _next_path(self, levels: list[_Level]) -> Keys | None:
        """Path of the next value of the innermost open bracket; None behind the last one."""
        while levels and self._skip(blank=" \t\r\n,"):
            level = levels[-1]
            if self.text[self.at] in "]}":
                self.at += 1
                levels.pop()
                continue
            if level.is_list:
                level.items += 1
                path = (*level.path[:-1], f"{level.path[-1]}[{level.items}]")
                if self.text[self.at] == "{":
                    self._note(path)
                return path
            key = self._key()
            if not key or not self._take("="):
                self._to_line_end()
                return None
            self._note((*level.path, *key))
            return (*level.path, *key)
        return None

    def _scalar(self) -> bool:
        match = _STRING.match(self.text, self.at) or _PLAIN_VALUE.match(self.text, self.at)
        if match is None:
            return False
        self._jump(match.end())
        return True

    def _key(self) -> Keys:
        parts: list[str] = []
        while True:
            self._skip(blank=" \t")
            quoted = _STRING.match(self.text, self.at)
            match = quoted or _BARE_KEY.match(self.text, self.at)
            if match is None:
                return tuple(parts)
            parts.append(_unquoted(match.group()) if quoted else match.group())
            self._jump(match.end())
            if not self._take("."):
                return tuple(parts)

    def _take(self, sign: str) -> bool:
        self._skip(blank=" \t")
        if not self.text.startswith(sign, self.at):
            return False
        self.at += len(sign)
        return True

    def _skip(self, *, blank: str) -> bool:
        """Step over blanks and comments; False at the end of the text."""
        while self.at < len(self.text):
            sign = self.text[self.at]
            if sign == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif sign in blank:
                self._jump(self.at + 1)
            else:
                return True
        return False

    def _to_line_end(self) -> None:
        end = self.text.find("\n", self.at)
        self._jump(len(self.text) if end < 0 else end + 1)

    def _jump(self, end: int) -> None:
        self.line += self.text.count("\n", self.at, end)
        self.at = end

    def _note(self, path: Keys, line: int | None = None) -> None:
        """Keep the line of a path, and of the tables above it that have none of their own."""
        for length in range(1, min(len(path), _DEEPEST) + 1):
            self.found.setdefault(path[:length], self.line if line is None else line)


def _unquoted(key: str) -> str:
    if key.startswith("'"):
        return key[1:-1]
    return _ESCAPE.sub(_escaped, key[1:-1])


def _escaped(match: re.Match[str]) -> str:
    code = match.group(1) or match.group(2)
    if code is None:
        return _SHORT_ESCAPES[match.group(3)]
    number = int(code, 16)
    return chr(number) if number < 0x110000 else "\N{REPLACEMENT CHARACTER}"

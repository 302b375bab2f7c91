"""Validation errors in plain words: the place, the value, what is allowed, and a near miss.

Used for every file and request a person writes, so that all refusals read alike.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

_CLIP = 60
_TYPES = {
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "string": "text",
    "array": "a list",
    "object": "a table",
}
_FORMATS = {
    "path": "the name of a file or folder",
    "date": "a date, YYYY-MM-DD",
    "date-time": "a date and time, YYYY-MM-DDTHH:MM:SS",
    "time": "a time of day, HH:MM",
}


def nearest(word: str, known: Sequence[str]) -> str:
    """ "; did you mean ...?" when `word` is close to something known, else an empty string."""
    close = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def explain(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """One line for each problem of `error`, which arose from validating `model`.

    Places are dotted, as in TOML; list items are counted from 1. A validator that finds several
    things wrong raises them as the lines of one ValueError.
    """
    schema = model.model_json_schema()
    return [line for detail in error.errors(include_url=False) for line in _lines(detail, schema)]


def _lines(detail: Any, schema: dict[str, Any]) -> list[str]:
    kind, loc, value = detail["type"], detail["loc"], detail["input"]
    place, node, parent = _walk(loc, schema)
    where = place or "top level"
    if kind in ("value_error", "assertion_error"):
        shown = "" if isinstance(value, dict | list | BaseModel) else f"{_value(value)}: "
        _, _, message = detail["msg"].partition(", ")  # "Value error, ..."
        lines = message.splitlines() or ["not allowed"]
        return [f"{place}: {shown}{line}" if place else line for line in lines]
    if kind == "extra_forbidden":
        known = sorted(parent.get("properties", {}))
        return [
            f"{where}: no such key{nearest(str(loc[-1]), known) or '; known: ' + ', '.join(known)}"
        ]
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        tags = sorted(node.get("discriminator", {}).get("mapping", {}))
        key = node.get("discriminator", {}).get("propertyName", "kind")
        where, allowed = f"{place}.{key}" if place else key, ", ".join(tags)
        given = isinstance(value, Mapping) and key in value
        value, kind = (value[key], kind) if given else (None, "missing")
    else:
        tags, allowed = [str(one) for one in node.get("enum", ())], _allowed(node)
    if kind == "missing":
        return [f"{where}: is missing" + (f"; allowed: {allowed}" if allowed else "")]
    if not allowed:
        return [f"{where}: {_value(value)}: {detail['msg'][0].lower()}{detail['msg'][1:]}"]
    shown = _value(value)
    if kind in ("too_short", "too_long"):
        shown = f"{len(value)} entries"
    hint = nearest(value, tags) if isinstance(value, str) else ""
    # A range does not say of what: not of text that looks like a number, nor of true and false.
    typed = kind.endswith(("_type", "_parsing")) and "format" not in node
    of = _TYPES.get(node.get("type", ""), "") if typed else ""
    return [
        f"{where}: {shown}{hint}; allowed: {allowed}"
        + (f" ({of})" if of and not allowed.startswith(of) else "")
    ]


def _value(value: Any) -> str:
    """The value as its writer would know it again, of bounded length and printable."""
    match value:
        case None:
            return "null"
        case bool():
            return "true" if value else "false"
        case dict() | BaseModel():
            return "a table"
        case list() | tuple():
            return "a list"
    try:
        return _clip(repr(value))
    except ValueError:  # Python declines to write out a whole number of thousands of digits
        return "a number of thousands of digits"


def _clip(text: str) -> str:
    return text if len(text) <= _CLIP else text[: _CLIP - 1] + "…"


def _walk(
    loc: Sequence[str | int], schema: dict[str, Any]
) -> tuple[str, dict[str, Any], dict[str, Any]]:
    """The place in dotted words, the schema node at `loc`, and the node above it."""
    node, parent = schema, schema
    place = ""
    for part in loc:
        node = _resolve(node, schema)
        mapping = node.get("discriminator", {}).get("mapping")
        if mapping is not None and part in mapping:
            node = _resolve({"$ref": mapping[part]}, schema)
            continue
        if part == "[key]":  # the name of a table's entry; the entry is the part before
            patterns = [{"pattern": one} for one in parent.get("patternProperties", ())]
            node = {"type": "string"} | parent.get("propertyNames", {})
            node |= patterns[0] if patterns else {}
            continue
        parent = node
        if isinstance(part, int):
            place += f"[{part + 1}]"
            below = node.get("items")
        else:
            name = _clip(part if part.isprintable() else repr(part))
            place += f".{name}" if place else name
            below = node.get("properties", {}).get(part, node.get("additionalProperties"))
            if not isinstance(below, dict):
                below = next(iter(node.get("patternProperties", {}).values()), None)
        node = below if isinstance(below, dict) else {}
    return place, _resolve(node, schema), _resolve(parent, schema)


def _resolve(node: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    while True:
        if "$ref" in node:
            node = schema["$defs"][node["$ref"].rsplit("/", 1)[-1]]
        elif "anyOf" in node:
            options = [one for one in node["anyOf"] if one.get("type") != "null"]
            if len(options) != 1:
                return node
            node = options[0]
        elif len(node.get("allOf", ())) == 1:
            node = node["allOf"][0]
        else:
            return node


def _allowed(node: dict[str, Any]) -> str:
    """What the schema node allows, in words; empty when it does not say."""
    if "enum" in node:
        return ", ".join(str(one) for one in node["enum"])
    if "const" in node:
        return str(node["const"])
    if "discriminator" in node:
        return _TYPES["object"]
    match node.get("type"):
        case "number" | "integer" as kind:
            low = node.get("minimum", node.get("exclusiveMinimum"))
            high = node.get("maximum", node.get("exclusiveMaximum"))
            over = "over " if "exclusiveMinimum" in node else ""
            under = "under " if "exclusiveMaximum" in node else ""
            return _span(low, high, over, under) or _TYPES[kind]
        case "array":
            span = _span(node.get("minItems"), node.get("maxItems"))
            return f"a list of {span} entries" if span else _TYPES["array"]
        case "object":
            span = _span(node.get("minProperties"), node.get("maxProperties"))
            return f"a table of {span} entries" if span else _TYPES["object"]
        case "string":
            span = _span(node.get("minLength"), node.get("maxLength"))
            words = [node["description"]] if "description" in node and "pattern" in node else []
            words += [f"{span} characters"] if span else []
            return ", ".join(words) or _FORMATS.get(node.get("format", ""), _TYPES["string"])
        case kind:
            return _TYPES.get(str(kind), "")


def _span(low: float | None, high: float | None, over: str = "", under: str = "") -> str:
    if low is not None and high is not None:
        return f"{over}{low:.12g} to {under}{high:.12g}"
    if low is not None:
        return f"{over or 'at least '}{low:.12g}"
    if high is not None:
        return f"{under or 'at most '}{high:.12g}"
    return ""

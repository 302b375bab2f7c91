"""Validation errors in plain words: the place, the value, what is allowed, and a near miss.

Used for every file and request a person writes, so that all refusals read alike.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

_CLIP = 60


def nearest(word: str, known: Sequence[str]) -> str:
    """" Did you mean ...?" when `word` is close to something known, else an empty string."""
    close = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def explain(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """One line for each problem of `error`, which arose from validating `model`."""
    schema = model.model_json_schema()
    return [_line(detail, schema) for detail in error.errors(include_url=False)]


def _line(detail: Any, schema: dict[str, Any]) -> str:
    kind, loc = detail["type"], detail["loc"]
    place, node, parent = _walk(loc, schema)
    where = place or "the file"
    if kind == "extra_forbidden":
        known = sorted(parent.get("properties", {}))
        name = str(loc[-1])
        return f"{where}: no such key{nearest(name, known) or '; known: ' + ', '.join(known)}"
    if kind == "missing":
        return f"{where}: is missing{_allowed(node)}"
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        tags = sorted(node.get("discriminator", {}).get("mapping", {}))
        key = node.get("discriminator", {}).get("propertyName", "kind")
        given = detail.get("ctx", {}).get("tag")
        if given is None:
            return f"{where}.{key}: is missing; allowed: {', '.join(tags)}"
        return f"{where}.{key}: {given!r}{nearest(given, tags)}; allowed: {', '.join(tags)}"
    message = detail["msg"].removeprefix("Value error, ")
    value = detail.get("input")
    allowed = _allowed(node)
    if kind == "value_error":
        said = "" if isinstance(value, dict | list | BaseModel) else f"{_clip(value)}: "
        return f"{where}: {said}{message}"
    words = message[0].lower() + message[1:]
    said = words if isinstance(value, dict | list | BaseModel) else _clip(value)
    hint = nearest(value, node.get("enum", [])) if isinstance(value, str) else ""
    if kind == "literal_error" or not allowed:
        return f"{where}: {said}{hint}{allowed or ': ' + words}"
    return f"{where}: {said}{allowed}" + ("" if said == words or _told_by_bounds(kind) else f" ({words})")


def _told_by_bounds(kind: str) -> bool:
    return kind.startswith(("greater_than", "less_than", "string_pattern"))


def _clip(value: Any) -> str:
    text = repr(value)
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
        if part == "[key]":
            node = node.get("propertyNames", {}) if "propertyNames" in node else {}
            continue
        parent = node
        if isinstance(part, int):
            place += f"[{part + 1}]"
            node = node.get("items", {})
        else:
            place += f".{part}" if place else part
            properties = node.get("properties", {})
            patterns = list(node.get("patternProperties", {}).values())
            below = properties.get(part, node.get("additionalProperties"))
            if not isinstance(below, dict):
                below = patterns[0] if patterns else {}
            node = below
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
    """What the schema node allows, as "; allowed: ..."; empty when it sets no bound."""
    if "enum" in node:
        return "; allowed: " + ", ".join(str(one) for one in node["enum"])
    if "const" in node:
        return f"; allowed: {node['const']}"
    low = node.get("minimum", node.get("exclusiveMinimum"))
    high = node.get("maximum", node.get("exclusiveMaximum"))
    over = "over " if "exclusiveMinimum" in node else ""
    under = "under " if "exclusiveMaximum" in node else ""
    if low is not None and high is not None:
        return f"; allowed: {over}{low:g} to {under}{high:g}"
    if low is not None:
        return f"; allowed: {over or 'at least '}{low:g}"
    if high is not None:
        return f"; allowed: {under or 'at most '}{high:g}"
    if "description" in node and "pattern" in node:
        return f"; allowed: {node['description']}"
    if "minLength" in node and "maxLength" in node:
        return f"; allowed: {node['minLength']} to {node['maxLength']} characters"
    kind = node.get("type")
    words = {"number": "a number", "integer": "a whole number", "boolean": "true or false"}
    return f"; allowed: {words[kind]}" if kind in words else ""

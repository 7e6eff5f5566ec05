"""What does the interface say of itself? An OpenAPI document of all operations."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any

from flask import jsonify
from flask.typing import ResponseReturnValue

from web.access import MACHINE, OPEN, allow
from web.api import (
    NUMBER,
    OPERATIONS,
    VERSION,
    Operation,
    pages,
)

__all__ = ["pages"]


@pages.get("/openapi.json")
@allow(OPEN)
def document() -> ResponseReturnValue:
    """Give the description of all this."""
    return jsonify(description())


def description() -> dict[str, Any]:
    """Return the OpenAPI document (3.1)."""
    schemas: dict[str, Any] = {
        "Error": {
            "type": "object",
            "required": ["error", "status"],
            "properties": {"error": {"type": "string"}, "status": {"type": "integer"}},
        }
    }
    paths: dict[str, Any] = {}
    for one in OPERATIONS:
        path, params = _path(one)
        paths.setdefault(f"/api/v1{path}", {})[one.method.lower()] = _described(one, params, schemas)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Lanternwright",
            "version": VERSION,
            "description": "Reads and reports; nothing here starts, stops or moves a machine.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "person": {"type": "apiKey", "in": "cookie", "name": "lanternwright"},
                "machine": {"type": "http", "scheme": "bearer"},
            },
        },
    }


def _path(one: Operation) -> tuple[str, list[dict[str, Any]]]:
    """Return a rule as the document writes it, and its parameters."""
    parts, params = [], []
    for part in one.rule.split("/"):
        if part.startswith("<"):
            inner, _, rest = part[1:].partition(">")
            kind, _, called = inner.rpartition(":")
            schema = NUMBER if kind == "int" else {"type": "string", "pattern": "^[a-z_]+$"}
            params.append({"name": called, "in": "path", "required": True, "schema": schema})
            part = f"{{{called}}}{rest}"
        parts.append(part)
    params += [{"name": key, "in": "query", "schema": schema} for key, schema in one.query.items()]
    return "/".join(parts), params


def _described(one: Operation, params: list[dict[str, Any]], schemas: dict[str, Any]) -> dict[str, Any]:
    refused = {"application/json": {"schema": {"$ref": "#/components/schemas/Error"}}}
    media = "text/csv" if one.rule.endswith(".csv") else "application/json"
    said: dict[str, Any] = {
        "summary": one.summary,
        "operationId": f"{one.method.lower()}{one.rule.replace('/', '_').replace('<', '').replace('>', '')}",
        "description": f"Least role: {one.role}.",
        "parameters": params,
        "security": [{"machine": []}] if one.role == MACHINE else [{"person": []}],
        "responses": {
            "200": {"description": "Done.", "content": {media: {"schema": schema_of(one.answer, schemas)}}},
            **{
                str(status): {"description": words, "content": refused}
                for status, words in (
                    (400, "The form token is missing or old."),
                    (401, "Somebody must sign in first."),
                    (403, "The role does not allow it."),
                    (404, "It is not here."),
                    (409, "Changed meanwhile, or its state does not allow it."),
                    (422, "Read and found wrong; nothing was kept."),
                    (503, "The database does not answer."),
                )
            },
        },
    }
    if one.body:
        shape: dict[str, Any] = {"type": "object", "properties": one.body, "additionalProperties": False}
        if one.needed:
            shape["required"] = list(one.needed)
        said["requestBody"] = {"required": True, "content": {"application/json": {"schema": shape}}}
    return said


_SIMPLE: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    datetime: {"type": "string", "format": "date-time"},
    date: {"type": "string", "format": "date"},
    time: {"type": "string"},
    Any: {},
    type(None): {"type": "null"},
}


def schema_of(kind: Any, schemas: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a record's type; records go under `components`."""
    if isinstance(kind, dict):
        return kind
    if kind in _SIMPLE:
        return _SIMPLE[kind]
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (list, tuple):
        return {"type": "array", "items": schema_of(inner[0], schemas)}
    if origin in (dict, Mapping):
        return {"type": "object", "additionalProperties": schema_of(inner[1], schemas)}
    if origin in (typing.Union, types.UnionType):
        return {"anyOf": [schema_of(one, schemas) for one in inner]}
    if kind.__name__ not in schemas:
        schemas[kind.__name__] = {}
        hints = typing.get_type_hints(kind)
        fields = [f.name for f in dataclasses.fields(kind)]
        schemas[kind.__name__] = {
            "type": "object",
            "required": fields,
            "properties": {key: schema_of(hints[key], schemas) for key in fields},
        }
    return {"$ref": f"#/components/schemas/{kind.__name__}"}

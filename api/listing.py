"""What the reader of a list may ask for besides its filters: another order, and fewer fields of each row."""

import re
from collections.abc import Mapping, Sequence
from copy import deepcopy
from typing import Any

from rest_framework.serializers import BaseSerializer

from api import queries
from api.queries import NotThatError, QueryParameter

Order = tuple[str, ...]
Orderings = Mapping[str, Order]
ORDERING, FIELDS = "ordering", "fields"


def ordering_parameter(orderings: Orderings) -> QueryParameter:
    """The parameter that names one of these orders, or one of them the other way round."""
    words = [sign + name for name in orderings for sign in ("", "-")]
    return queries.choice(ORDERING, "Rows in this order; with - before it the other way round.", words)


def asked_order(query: Mapping[str, Any], orderings: Orderings, usual: Order) -> Order:
    """The order that the query names, else the usual one."""
    asked = query.get(ORDERING)
    if asked is None:
        return usual
    order = orderings[asked.removeprefix("-")]
    return tuple(map(turned, order)) if asked.startswith("-") else order


def turned(field: str) -> str:
    """The field the other way round."""
    return field[1:] if field.startswith("-") else f"-{field}"


def fields_parameter(shape: type[BaseSerializer]) -> QueryParameter:
    """The parameter that names those fields of a row that are wanted."""
    names = tuple(shape._declared_fields)

    def read(value: str) -> tuple[str, ...]:
        asked = tuple(dict.fromkeys(value.split(",")))
        if unknown := [name for name in asked if name not in names]:
            shown = "".join(sign if sign.isprintable() else "?" for sign in unknown[0][:40])
            raise NotThatError(f"takes some of {', '.join(names)}, with commas between; not {shown}")
        return asked

    one = f"({'|'.join(map(re.escape, names))})"
    schema = {"type": "string", "pattern": f"^{one}(,{one})*$"}
    words = "Only these fields of each row, with commas between; left out, all."
    return QueryParameter(name=FIELDS, read=read, schema=schema, description=words)


def picked(items: Sequence[Mapping[str, Any]], query: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    """The rows with those fields that the query asks for, in a row's own order."""
    if FIELDS not in query:
        return items
    wanted = set(query[FIELDS])
    return [{name: value for name, value in item.items() if name in wanted} for item in items]


def add_parts(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Say in the document that a row asked for with `fields` has only those: a component beside the row's."""
    schemas = result["components"]["schemas"]
    for methods in result["paths"].values():
        read = methods.get("get", {})
        if all(parameter["name"] != FIELDS for parameter in read.get("parameters", ())):
            continue
        page = schemas[_named(read["responses"]["200"]["content"]["application/json"]["schema"])]
        whole = page["properties"]["items"]["items"]
        name = _named(whole)
        schemas[f"{name}Part"] = part = deepcopy(schemas[name])
        part.pop("required", None)
        part["description"] = f"What `{FIELDS}` asked for of: {part.get('description', name)}"
        page["properties"]["items"]["items"] = {
            "anyOf": [whole, {"$ref": f"#/components/schemas/{name}Part"}]
        }
    result["components"]["schemas"] = dict(sorted(schemas.items()))
    return result


def _named(schema: Mapping[str, str]) -> str:
    return schema["$ref"].rpartition("/")[2]

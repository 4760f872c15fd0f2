"""The JSON Schema of the plant file, for editors: the model's own, with the keys as they are written.

Quantities are text in the file ("10 s"); the model's floats for them are described so by their annotations. Pure.
"""

from __future__ import annotations

from typing import Any, Final

from config.model import Plant

_WRITTEN: Final = {
    "Span": ("counts = current", '"0..65535 = 0..20 mA"'),
    "Range": ("current = value", '"4..20 mA = 0..5000 uS/cm"'),
}
"""Parts that are one text in the file though the model holds their numbers."""


def schema() -> dict[str, Any]:
    """The schema as a JSON document (draft 2020-12)."""
    found = Plant.model_json_schema(by_alias=True)
    for name, (what, example) in _WRITTEN.items():
        if name in found.get("$defs", {}):
            found["$defs"][name] = {"type": "string", "description": f"{what}, like {example}"}
    found["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    found["title"] = "waterside plant file"
    cleaned: dict[str, Any] = _clean(found)
    return cleaned


def _clean(node: Any) -> Any:
    """Without the titles pydantic makes of names and the defaults that are not as the file writes them."""
    if isinstance(node, dict):
        quantity = node.get("type") == "string" and not isinstance(node.get("default", ""), str)
        return {
            k: _clean(v)
            for k, v in node.items()
            if not (k == "title" and isinstance(v, str) and "properties" not in node and "type" in node)
            and not (k == "default" and (v is None or quantity))
        }
    if isinstance(node, list):
        return [_clean(x) for x in node]
    return node

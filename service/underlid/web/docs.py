"""The API's description as one page, made from the OpenAPI document; no script, nothing from elsewhere."""

from html import escape
from typing import Any

STYLE_FREE_HEAD = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Underlid API</title>'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    '<meta name="color-scheme" content="light dark"></head><body>'
)


def page(openapi: dict[str, Any]) -> str:
    """HTML that lists every path with what it takes and gives."""
    parts = [STYLE_FREE_HEAD, f"<h1>Underlid API {escape(openapi['info']['version'])}</h1>"]
    parts.append('<p>The same as a machine reads it: <a href="/api/openapi.json">openapi.json</a></p>')
    for path, methods in openapi["paths"].items():
        for method, operation in methods.items():
            parts.append(f"<h2><code>{method.upper()} {escape(path)}</code></h2>")
            parts.append(f"<p>{escape(operation.get('description') or operation['summary'])}</p>")
            parts += _parameters(operation)
            parts += _bodies(operation)
    parts.append("<h1>Bodies</h1>")
    for name, schema in openapi["components"]["schemas"].items():
        parts.append(f'<h2 id="{escape(name)}"><code>{escape(name)}</code></h2>')
        parts.append(f"<p>{escape(schema.get('description', ''))}</p><ul>")
        required = schema.get("required", [])
        for field, detail in schema.get("properties", {}).items():
            optional = "" if field in required else ", optional"
            words = escape(detail.get("description", ""))
            parts.append(f"<li><code>{escape(field)}</code>: {_type(detail)}{optional}. {words}</li>")
        parts.append("</ul>")
    parts.append("</body></html>")
    return "".join(parts)


def _parameters(operation: dict[str, Any]) -> list[str]:
    rows = [
        f"<li><code>{escape(p['name'])}</code> in {p['in']}: {_type(p['schema'])}"
        f"{'' if p.get('required') else ', optional'}</li>"
        for p in operation.get("parameters", [])
    ]
    return ["<ul>", *rows, "</ul>"] if rows else []


def _bodies(operation: dict[str, Any]) -> list[str]:
    parts = []
    for media, content in operation.get("requestBody", {}).get("content", {}).items():
        parts.append(f"<p>takes {escape(media)}: {_type(content.get('schema', {}))}</p>")
    for status, response in operation["responses"].items():
        if status.startswith("2"):
            for media, content in response.get("content", {}).items():
                parts.append(f"<p>gives {status} {escape(media)}: {_type(content.get('schema', {}))}</p>")
    return parts


def _type(schema: dict[str, Any]) -> str:
    if "$ref" in schema:
        name = escape(schema["$ref"].rsplit("/", 1)[-1])
        return f'<a href="#{name}">{name}</a>'
    if "anyOf" in schema:
        return " or ".join(_type(option) for option in schema["anyOf"])
    if schema.get("type") == "array":
        return f"list of {_type(schema.get('items', {}))}"
    if "enum" in schema:
        return ", ".join(escape(str(value)) for value in schema["enum"])
    return escape(str(schema.get("type", "any")))

"""Every figure of a report as one JSON document."""

import dataclasses
import json
import math
from typing import Any

from spc.report.content import Content, Table

__all__ = ["document", "write_json"]


def document(content: Content) -> dict[str, Any]:
    """Give a report as plain values: texts, numbers with every digit, null for none, 'inf' for one open above.

    Parameters
    ----------
    content : Content
    """
    return {
        "kind": content.kind,
        "title": content.title,
        "subtitle": content.subtitle,
        "sentence": content.sentence,
        "front": [{"name": name, "value": value} for name, value in content.front],
        "fingerprint": content.fingerprint,
        "made_at": content.made_at.isoformat(),
        "made_by": content.made_by,
        "software": content.software,
        "sections": [_section(section) for section in content.sections],
        "appendix": [_section(section) for section in content.appendix],
    }


def write_json(content: Content) -> bytes:
    """Write a report as JSON, UTF-8.

    Parameters
    ----------
    content : Content
    """
    return (json.dumps(document(content), ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode(
        "utf-8", "replace"
    )


def _section(section: Any) -> dict[str, Any]:
    return {"title": section.title, "blocks": [_block(block) for block in section.blocks]}


def _block(block: Any) -> dict[str, Any]:
    kind = {"block": type(block).__name__.lower()}
    if isinstance(block, Table):
        columns = [{"head": c.head, "unit": c.unit} for c in block.columns]
        rows = [[_plain(cell) for cell in row] for row in block.rows]
        return kind | {"name": block.name, "title": block.title, "columns": columns, "rows": rows, "note": block.note}
    return kind | {str(name): _plain(value) for name, value in dataclasses.asdict(block).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None if math.isnan(value) else "inf" if value > 0 else "-inf"
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {name: _plain(item) for name, item in value.items()}
    return value

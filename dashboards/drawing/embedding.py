"""What lets one file carry its charts: safe JSON, one drawing library, and a strict policy.

The bundled drawing library can evaluate chart expressions with an interpreter (``ast``), so the
policy needs no ``unsafe-eval``; scripts and styles are allowed by their hashes alone, and nothing
may be fetched from anywhere.
"""

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from functools import cache
from typing import Any

import vl_convert

# Marks in text that would end a script element or start a comment inside one; and the two line
# separators that older scripts do not take inside a string.
_UNSAFE = re.compile("[<>&\u2028\u2029]")


@cache
def drawing_library() -> str:
    """The drawing library, bundled once a process; its only public name is ``vegaEmbed``."""
    bundle = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
    return str(bundle).replace("</script", "<\\/script").replace("<!--", "<\\!--")


def embedded_json(value: Any) -> str:
    r"""JSON that may stand inside a script element whatever text it holds.

    >>> embedded_json({"id": "</script>"})
    '{"id":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return _UNSAFE.sub(lambda m: f"\\u{ord(m.group()):04x}", text)


def source_hash(text: str) -> str:
    """The policy's name for a script or style of exactly this text.

    >>> source_hash("alert('Hello, world.');")  # example of the W3C's CSP Level 3, section 8.2
    "'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"
    """
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"


def policy(scripts: Sequence[str], styles: Sequence[str]) -> str:
    """The content-security policy of a page with these scripts and styles."""
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {' '.join(map(source_hash, scripts)) or chr(39) + 'none' + chr(39)}",
            f"style-src {' '.join(map(source_hash, styles)) or chr(39) + 'none' + chr(39)}",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def packed_spec(spec: dict[str, Any]) -> dict[str, Any]:
    """A chart's specification with its rows by column: less to carry.

    Numbers keep seven figures; a column of text is its words and, for each row, the word's place.
    """
    sets = {name: _by_column(rows) for name, rows in spec.get("datasets", {}).items()}
    return {**spec, "datasets": sets}


def _by_column(rows: list[dict[str, Any]]) -> dict[str, Any]:
    names = list(rows[0]) if rows else []
    return {name: _packed_column([row[name] for row in rows]) for name in names}


def _packed_column(values: list[Any]) -> Any:
    words = list(dict.fromkeys(v for v in values if isinstance(v, str)))
    if not words or 2 * len(words) > len(values):
        return [_lean(v) for v in values]
    places = {word: i for i, word in enumerate(words)}
    return {"words": words, "at": [None if v is None else places[v] for v in values]}


def _lean(value: Any) -> Any:
    if isinstance(value, float):
        short = float(f"{value:.7g}")
        return int(short) if short.is_integer() else short
    return value

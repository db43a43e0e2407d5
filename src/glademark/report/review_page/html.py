"""What makes the page safe to open: data as inert JSON, and a policy that lets nothing else run."""

from __future__ import annotations

import base64
import hashlib
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable


def inert_json(value: Any) -> str:  # noqa: ANN401 - JSON is one of several types
    r"""
    JSON that can stand in a script element and never ends it.

    Parameters
    ----------
    value
        In the types of JSON.

    Returns
    -------
    text
        Plain ASCII, with ``<``, ``>`` and ``&`` as escapes.

    Raises
    ------
    ValueError
        If a number is not finite.

    Examples
    --------
    >>> print(inert_json({"name": "</script>"}))
    {"name":"\u003c/script\u003e"}
    """
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def content_policy(scripts: Iterable[str]) -> str:
    """
    Content security policy of a page that loads nothing and runs only what it was made with.

    Parameters
    ----------
    scripts
        Texts of its script elements.

    Returns
    -------
    policy
        Scripts by their SHA-256, no evaluation of text, images only from within, all else
        forbidden. Styles may stand inline, since the plotting library makes its own as it runs;
        they can load nothing.
    """
    rules = (
        "default-src 'none'",
        f"script-src {' '.join(_hash(text) for text in scripts)}",
        "style-src 'unsafe-inline'",
        "img-src data: blob:",
        "base-uri 'none'",
        "form-action 'none'",
    )
    return "; ".join(rules)


def _hash(text: str) -> str:
    """Name of a text in a policy."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"

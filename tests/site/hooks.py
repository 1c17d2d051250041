"""What the site does beside MkDocs' own: links that leave docs/ stay as words with the file's name, since the folder
has no such file; a page that the list of pages forgot stands under "More"; nothing is fetched from a network."""

from __future__ import annotations

import posixpath
import re
from pathlib import Path
from typing import Any

_OUTWARD = re.compile(r"\[([^\]]+)\]\((\.\./[^)\s]+)\)")


def listed(nav: Any) -> set[str]:
    """Every page that a nav names."""
    if isinstance(nav, str):
        return {nav}
    parts = nav.values() if isinstance(nav, dict) else nav
    return set().union(*(listed(part) for part in parts))


def on_config(config: Any, **_: Any) -> Any:
    docs = Path(config["docs_dir"])
    known = listed(config["nav"])
    forgotten = sorted(p.relative_to(docs).as_posix() for p in docs.rglob("*.md"))
    forgotten = [page for page in forgotten if page not in known]
    if forgotten:
        config["nav"].append({"More": forgotten})
    return config


def on_page_markdown(markdown: str, page: Any, **_: Any) -> str:
    """A link to hardware/ or tests/ becomes its words and the file's place in the source."""
    folder = posixpath.dirname(page.file.src_uri)

    def named(found: re.Match[str]) -> str:
        target = posixpath.normpath(posixpath.join("docs", folder, found[2]))
        return found[0] if target.startswith("docs/") else f"{found[1]} (`{target}` in the source)"

    return _OUTWARD.sub(named, markdown)


#: Where the theme fetches, from a network, what lets the search run in pages opened from a folder.
_FETCHED = "https://unpkg.com/iframe-worker/shim"
_OWN = "figures/frame-worker.js"


def on_post_page(output: str, page: Any, **_: Any) -> str:
    """Our own file does the same without a network."""
    return output.replace(_FETCHED, "../" * page.file.dest_uri.count("/") + _OWN)


def on_post_template(output_content: str, template_name: str, **_: Any) -> str:
    return output_content.replace(_FETCHED, _OWN) if template_name == "404.html" else output_content

"""The pages. Each module here with a `PAGE` is one; a new page is a new file and nothing else."""

from __future__ import annotations

import importlib
import pkgutil
from functools import lru_cache

from earthward.display.page import Page


@lru_cache(maxsize=1)
def registry() -> dict[str, Page]:
    """Every page by its name, in the order of the walk."""
    found: list[Page] = []
    for module in pkgutil.iter_modules(__path__):
        page = getattr(importlib.import_module(f"{__name__}.{module.name}"), "PAGE", None)
        if isinstance(page, Page):
            found.append(page)
    return {page.name: page for page in sorted(found, key=lambda page: page.order)}

"""Coverage: the map with its other layer."""

from __future__ import annotations

from earthward.display.page import Page
from earthward.display.pages.map import paint

PAGE = Page("coverage", "Map", order=30, paint=paint)

"""Which key does what. Four keys are enough at the pool side; the rest is comfort. Every key can be remapped."""

from __future__ import annotations

from collections.abc import Iterable

from earthward.errors import InputError

#: action -> keys, by Textual's names; the first is the one that the screens show.
DEFAULT_KEYS: dict[str, tuple[str, ...]] = {
    "off": ("space", "o"),
    "keep": ("k",),
    "map": ("m",),
    "next": ("n",),
    "help": ("h", "question_mark"),
    "place": ("p",),
    "coverage": ("c",),
    "theme": ("t",),
    "louder": ("plus",),
    "softer": ("minus",),
    "zoom": ("z",),
    "undo": ("u",),
    "hand": ("x",),
    "pause": ("w",),
    "electrode": ("e",),
    "pole left": ("left",),
    "pole right": ("right",),
    "pole up": ("up",),
    "pole down": ("down",),
    "pole deeper": ("pagedown",),
    "pole higher": ("pageup",),
    "pole turn left": ("comma",),
    "pole turn right": ("full_stop",),
    "pole upright": ("v",),
    "quit": ("q", "ctrl+c", "ctrl+q"),
    "enter": ("enter",),
    "tab": ("tab", "slash", "asterisk"),
    "erase": ("backspace",),
    "escape": ("escape",),
}
_SHOWN = {"space": "SPACE", "question_mark": "?", "plus": "+", "minus": "-", "enter": "Enter", "escape": "Esc"}


def default_keys() -> dict[str, tuple[str, ...]]:
    """The keys with those that go straight to a page."""
    # The pages know the keys' names as well: they are asked only when somebody wants the map.
    from earthward.display.pages import registry

    shortcuts = {f"go {page.name}": (page.shortcut,) for page in registry().values() if page.shortcut}
    return DEFAULT_KEYS | shortcuts


def key_map(changes: Iterable[str] = ()) -> dict[str, tuple[str, ...]]:
    """The keys after changes such as "off=f12" or "keep=enter,f7". Raises InputError.

    A key that is given to an action is taken from any other; the off key can be moved but never left empty.
    """
    keys = default_keys()
    for change in changes:
        action, equals, names = change.partition("=")
        action = action.strip()
        wanted = tuple(name.strip() for name in names.split(",") if name.strip())
        if not equals or action not in keys or not wanted:
            raise InputError(f"{change!r} is no key setting; write ACTION=KEY[,KEY] with one of {', '.join(keys)}")
        if any(len(name) == 1 and name.isdigit() for name in wanted):
            raise InputError(f"{change!r}: digits are for typing distances; choose another key")
        for other, present in keys.items():
            keys[other] = tuple(name for name in present if name not in wanted)
        keys[action] = wanted
    if not keys["off"]:
        raise InputError("no key is left for off; give off=KEY as well")
    return keys


def shown(name: str) -> str:
    """A key's name as the screens write it."""
    return _SHOWN.get(name, name.upper())

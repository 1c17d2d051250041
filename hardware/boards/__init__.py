"""The boards as files that a maker can make, generated from the circuits."""

from __future__ import annotations

from hardware.boards.model import BoardSpec


def boards() -> dict[str, BoardSpec]:
    from hardware.boards import front_end_board, source_board

    return {"source": source_board.spec(), "front_end": front_end_board.spec()}

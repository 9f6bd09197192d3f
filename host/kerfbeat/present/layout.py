"""How are the lines of the live screen shared out?"""

__all__ = ["PARTS", "part_heights"]

PARTS = ("head", "readout", "alarm", "state", "prospect", "trend", "sensors", "health", "caution")  # top to bottom

TALL = 20  # rows from which an alarm gets three of them


def part_heights(
    rows: int, *, sensors: int, silent: bool, alarm: bool = False, state: int = 1, health: int = 1
) -> dict[str, int]:
    """Share the lines of the screen out: 0 for a part that is left out.

    state, health : lines these two would fill; more than one only where there is room.
    The digits get what the others leave; where that is little, the trend goes first, then the prediction.
    """
    if rows < TALL:
        state = health = 1
    heights = {"head": 1, "state": state, "sensors": sensors, "health": health, "caution": 1}
    heights["alarm"] = 0 if not alarm else 3 if rows >= TALL else 1
    rest = rows - sum(heights.values()) - 1  # one for the keys
    prospect, trend = (0, 0) if silent else (2, min(5 + max(rows - 24, 0) // 3, 12))
    if rest - prospect - trend < 5:
        trend = 0
    if rest - prospect < 5:
        prospect = 0
    return {**heights, "prospect": prospect, "trend": trend, "readout": max(rest - prospect - trend, 1)}

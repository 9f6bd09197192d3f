"""In which words is it told that a target is seen no more?

One place, since it may be a magnet on its way through the shop: the live reading, the bring-up and every result say the
same.
"""

__all__ = ["gone_words", "seldom_seen_words"]


def gone_words(channel: str, *, seen: int, targets: int, since: str = "") -> str:
    """What to tell where fewer pulses come in every turn than before; `since` such as "from 32.2 s on"."""
    return (
        f"{channel}: {f'{since} ' if since else ''}only {seen} of {targets} targets are seen in every turn: one may "
        "have fallen off (keep clear of its path); the speed allows for it"
    )


def seldom_seen_words(channel: str, *, seen: int, targets: int) -> str:
    """What to tell where fewer pulses came in every turn from the beginning than are described."""
    return (
        f"{channel}: {seen} pulses repeat in every turn, fewer than the {targets} targets described; one may have "
        "fallen off (keep clear of its path), or the description is wrong (then the speed is too)"
    )

"""Which cover of an engine a side word means."""

from models.tables.records import SINGLE_COVER


def positions_of(said: str, cover_positions: str | None) -> tuple[str, ...]:
    """The cover positions a side word names on an engine.

    Args:
        said: 'left', 'right', 'both' or '' as a note or order says it.
        cover_positions: The family's covers with ';' between; a family not known has a single cover.

    Returns:
        The single cover whatever is said; both where "both" is said; ('',) where a two-bank engine's side is not said.
    """
    covers = tuple((cover_positions or SINGLE_COVER).split(";"))
    if len(covers) == 1 or said == "both":
        return covers
    return (said if said in covers else "",)

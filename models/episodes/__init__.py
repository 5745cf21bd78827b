"""Each repair of a cover and what followed it.

`facts` states what is known of one vehicle and `gather` collects it from frames; `visits` makes repairs of orders,
`residue` tells the smell of old oil from that of a leak, `endings` finds what ended each repair, `story` says it in a
sentence, `build` does it for a bucket of vehicles.
"""

from models.episodes.build import episodes, last_records

__all__ = ["episodes", "last_records"]

"""What to look at next: flags with their reasons, the weeks and bays they fit into, and the parts they take.

`known` cuts a fleet's tables at a day, `covers` lists the covers watched then, `looks` what was seen there since the
last repair, `lives` fits how long repairs last, `rules` says which covers are due and why, `flags` ranks them, `plan`
places them and `parts` counts what to have on the shelf; `out_of_sight` lists leaks of vehicles nobody writes about.
"""

from models.planning.flags import flags
from models.planning.known import FleetLedger, known_by
from models.planning.out_of_sight import leaks_out_of_sight, out_of_sight
from models.planning.parts import pick_list
from models.planning.plan import plan

__all__ = ["FleetLedger", "flags", "known_by", "leaks_out_of_sight", "out_of_sight", "pick_list", "plan"]

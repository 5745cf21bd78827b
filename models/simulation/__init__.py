"""Fleets with known truth: an invented utilities fleet, its covers' lives, and what was written down.

`world` holds the sites, engine families and true lives; `fleet` draws vehicles and their distances; `history` runs each
cover through leaks, looks and repairs; `background` adds the unrelated work; `outcomes` derives the true episodes from
those events; `words` says it all as people write; `exports` lays it out as each site would, mistakes included.

Nothing here reads a clock or a file. All draws come from numpy generators seeded by (seed, chunk, purpose), so that a
chunk is the same whichever chunk is drawn first.
"""

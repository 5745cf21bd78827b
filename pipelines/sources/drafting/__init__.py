"""A first draft of a source map from an export nobody has described yet, each guess with its reason and its doubt."""

from pipelines.sources.drafting.matching import draft_map
from pipelines.sources.drafting.writing import as_toml, write_new

__all__ = ["as_toml", "draft_map", "write_new"]

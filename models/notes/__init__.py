"""Words to statements: what notes say of the cover joint, and what orders did to it."""

from models.notes.added import NOTHING_ADDED, AddedLexicon
from models.notes.orders import read_orders
from models.notes.reader import read_notes

__all__ = ["NOTHING_ADDED", "AddedLexicon", "read_notes", "read_orders"]

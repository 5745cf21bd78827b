"""What lies in the inbox: which file is which kind of record, and its rows as text."""

from pipelines.sources.formats.workbooks import sheets_like
from pipelines.sources.maps import SourceMap, default_map, inbox_files, load_source_maps, match
from pipelines.sources.reading import FileRows, content_digest, read_rows

__all__ = [
    "FileRows",
    "SourceMap",
    "content_digest",
    "default_map",
    "inbox_files",
    "load_source_maps",
    "match",
    "read_rows",
    "sheets_like",
]

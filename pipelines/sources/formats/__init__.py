"""One reader a file format: the header as it stands, and the rows as text in batches of bounded size.

`texts` opens text files, `batches` gathers rows. `delimited` reads CSV, what leaves no doubt at once (`well_formed`);
`json_lines` reads lines of objects, those of one layout at once (`object_lines`); `parquet` and `workbooks` the others.
"""

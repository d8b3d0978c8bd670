"""The last stage: an audit as something to look at, or to read by machine. Nothing here computes physics.

- `terminal.py`: the timeline report for a person, out of `timeline.py` (one track's picture; its columns: `grid.py`),
  `passages.py`, `summary.py`, `words.py` (every phrase), `figures.py` (every figure's rounding) and `palette.py`
  (colours, letters, shapes);
- `records.py`: the JSON document and the CSV of passages, held to `report.schema.json`;
- `page/`: one HTML file with plots that opens offline;
- `progress.py`: the bar on stderr while the work goes on.

Nothing is imported here, so that `records` does not cost the import of rich.
"""

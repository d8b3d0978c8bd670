"""The page: one self-contained HTML file that opens offline, made from an audit. Nothing here computes physics.

`page.py` puts it together, from `overview.py` (verdict and tracks), `tracks.py` (one track), `circuit.py` (the rig as a
circuit), `notes.py` (assumptions, sources, cautions) and `plots.py` (plotly's figures as plain data, traces made small
by `envelope.py`). `markup.py` is the only way by which text gets into it. `page.js` and `style.css` go in as they are.
"""

from auditor.report.page.page import render

__all__ = ["render"]

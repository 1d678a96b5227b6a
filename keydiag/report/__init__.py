"""The report: findings in words, how every key stands, what became of repairs.

`text` says it in lines; `history` follows every finding through the journal; `summary` gathers
what the page (`html`, built with `markup` and `sheet`) and the JSON say. Only `text` is loaded
here: whoever wants a page asks for it.
"""

from keydiag.report.text import (
    diagnosis_lines,
    finding_lines,
    percent,
    report_lines,
    signoff_lines,
    verdict,
)

__all__ = [
    "diagnosis_lines",
    "finding_lines",
    "percent",
    "report_lines",
    "signoff_lines",
    "verdict",
]

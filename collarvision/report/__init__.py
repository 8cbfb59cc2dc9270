"""Report: one self-contained HTML file of a field's answer, for a phone and for paper."""

from __future__ import annotations

from collarvision.report.page import write_report, write_split_stalk_page

__all__ = ["write_report", "write_split_stalk_page"]

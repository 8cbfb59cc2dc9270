"""Batch: folders full of photos into a survey, each photo once, whatever happens on the way."""

from __future__ import annotations

from collarvision.batch.result import BatchResult
from collarvision.batch.staging import Job, run_batch

__all__ = ["BatchResult", "Job", "run_batch"]

"""Long work: progress, cancel, retry, and no loss at a restart."""

from headstock.jobs.runner import CancelledError, Job, JobState, Progress, Runner, Work

__all__ = ["CancelledError", "Job", "JobState", "Progress", "Runner", "Work"]

"""Many photos, each its own sample: measured side by side, resumed after a kill, one table."""

from triage.batch.rows import Row, columns
from triage.batch.run import Measure, Progress, pictures_in, pinned, run_batch

__all__ = ["Measure", "Progress", "Row", "columns", "measure_with", "pictures_in", "pinned", "run_batch"]


def measure_with(workers: int | None, cluster: str | None) -> Measure:
    """Who measures: so many processes here (None: one a processor), or the cluster of that scheduler."""
    import os

    from triage.batch.cluster import Cluster
    from triage.batch.workers import Workers

    return Cluster(cluster) if cluster is not None else Workers(workers or os.cpu_count() or 1)

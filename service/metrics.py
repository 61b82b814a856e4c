"""Figures about the service for Prometheus (text exposition format)."""

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, ProcessCollector, generate_latest

from service.workers import WorkerPool

SECONDS = (0.005, 0.02, 0.1, 0.5, 1, 2, 5, 10, 30, 60)


class Metrics:
    """Counters of one service."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        self._requests = Counter(
            "flatmeasure_requests",
            "Requests by address and status.",
            ["method", "route", "status"],
            registry=self.registry,
        )
        self._seconds = Histogram(
            "flatmeasure_request_seconds", "Time to answer.", ["route"], buckets=SECONDS, registry=self.registry
        )
        self._jobs = Counter(
            "flatmeasure_jobs", "Jobs that ended, by outcome.", ["kind", "outcome"], registry=self.registry
        )

    def watch(self, pool: WorkerPool) -> None:
        """Tell of a pool too."""
        for name, what, ask in (
            ("jobs_waiting", "Work that waits for a worker.", lambda: pool.waiting),
            ("jobs_running", "Work that is being done.", lambda: pool.running),
            ("worker_deaths", "Workers that died in mid-work since the start.", lambda: pool.deaths),
        ):
            Gauge(f"flatmeasure_{name}", what, registry=self.registry).set_function(ask)

    def count_request(self, method: str, route: str, status: int, seconds: float) -> None:
        """A request was answered."""
        self._requests.labels(method, route, str(status)).inc()
        self._seconds.labels(route).observe(seconds)

    def count_job(self, kind: str, outcome: str) -> None:
        """A job ended."""
        self._jobs.labels(kind, outcome).inc()

    def text(self) -> bytes:
        """All figures."""
        return generate_latest(self.registry)

"""The same work done by the workers of a Dask cluster, which see the same folders under the same names."""

from collections.abc import Iterator
from typing import Any

from flatmeasure.batch.executors import Done, NextTask, measure_task
from flatmeasure.batch.tasks import Task
from flatmeasure.errors import OptionInvalid

TIMEOUT_S = 10
AHEAD = 2  # tasks given to the cluster for each of its hands, so that none waits for the next


class DaskCluster:
    """Workers of a cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    OptionInvalid
        Dask is not installed, or nobody answers.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError as error:
            raise OptionInvalid("To work on a cluster, install flatmeasure[cluster].") from error
        self._dask: Any = distributed  # which has no types
        self._address = address
        try:
            self._client = self._dask.Client(address, timeout=TIMEOUT_S, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            raise OptionInvalid(
                f"No Dask scheduler answers at {address}: give the address that it shows, such as tcp://10.0.0.5:8786."
            ) from error

    def run(self, next_task: NextTask) -> Iterator[Done]:
        """See `Executor`; a dead worker's tasks are done by others, until the scheduler gives a task up."""
        under_way: dict[Any, Task] = {}
        finished = self._dask.as_completed(loop=self._client.loop)
        given = 0
        while True:
            room = max(1, AHEAD * sum(self._client.nthreads().values()))
            while len(under_way) < room and (task := next_task()) is not None:
                given += 1
                future = self._client.submit(measure_task, task, key=f"photo-{task.digest}-{task.number}-{given}")
                under_way[future] = task
                finished.add(future)
            if not under_way:
                return
            future = next(finished)
            yield self._heard(future, under_way.pop(future))

    def _heard(self, future: Any, task: Task) -> Done:
        try:
            return Done(task, future.result())
        except self._dask.scheduler.KilledWorker:
            return Done(task, None, tried_again=True)
        except Exception as error:  # the photo's own faults are outcomes: this is the cluster's
            raise OptionInvalid(
                f"The cluster at {self._address} can't do the work ({type(error).__name__}: {error}): see that it runs "
                "with the same version of flatmeasure, and give the same command again; what is done is kept."
            ) from error

    def close(self) -> None:
        """See `Executor`."""
        self._client.close()

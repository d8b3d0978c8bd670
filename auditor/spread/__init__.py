"""Many pieces of work side by side: in this process, in several processes, on a cluster of machines.

    contract.py    what a way of working is asked and what it answers
    here.py        one after the other, in this process
    processes.py   in several processes of this machine
    cluster.py     on a dask.distributed cluster

It knows nothing of sound: it is handed a function and what to call it with, and yields what came of each as it is
finished, in any order. What a worker died on is tried again. No way holds more than a few items at a time, so a list
of a million may be read as it goes.
"""

from auditor.spread.cluster import Cluster
from auditor.spread.contract import Done, Way
from auditor.spread.here import Here
from auditor.spread.processes import Processes

__all__ = ["Cluster", "Done", "Here", "Processes", "Way"]

# SPDX-License-Identifier: Apache-2.0
"""One function over many recordings: on all cores, or on a cluster that is there already."""

import json
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool

from tactile_nodes.errors import TactileError

CLUSTER_WITHIN = 10.0        # s that a cluster's scheduler has to answer


def for_each(function, items, *, workers=None, cluster=None):
    """Call `function(item)` for every item, each in a process of its own turn.

    Parameters
    ----------
    function : callable
        Of a module, so that other processes can import it. What it returns does not depend on
        where it runs.
    items : sequence
    workers : int, optional
        Processes; as many as cores by default. With one, or one item, nothing is started.
    cluster : str, optional
        Address of a Dask scheduler, such as 'tcp://10.0.0.5:8786'. Its workers need this package
        and the same file system.

    Yields
    ------
    (item, result or TactileError)
        As they are done; a TactileError for an item that cannot be worked on: the rest goes on.
    """
    if cluster is not None:
        yield from _on_cluster(function, items, cluster)
        return
    workers = min(workers or os.cpu_count() or 1, len(items))
    if workers <= 1:
        for item in items:
            yield item, _unpacked(_guarded(function, item))
        return
    # a fresh interpreter: a forked one would have the threads' locks without the threads
    context = multiprocessing.get_context('spawn')
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        waiting = {pool.submit(_guarded, function, item): item for item in items}
        try:
            for future in as_completed(waiting):
                yield waiting[future], _result(future, waiting[future])
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def read_kept(path):
    """What an earlier run has noted of its results, {name: dict}; empty where there is nothing."""
    try:
        kept = json.loads(path.read_text(encoding='utf-8'))
    except (OSError, ValueError, RecursionError):
        return {}
    return kept if isinstance(kept, dict) else {}


def _guarded(function, item):
    """Call it; a TactileError is a result, as one message (errors do not travel well)."""
    import cv2
    cv2.setNumThreads(1)
    try:
        return function(item)
    except TactileError as error:
        return _Refused(str(error))


class _Refused(str):
    """A message of a TactileError on its way between processes."""


def _unpacked(result):
    return TactileError(result.removesuffix('.')) if isinstance(result, _Refused) else result


def _result(future, item):
    try:
        return _unpacked(future.result())
    except BrokenProcessPool:
        return _died(item)


def _died(item):
    return TactileError('the process that worked on it died', where=str(item),
                        fix='Was there enough memory? Try fewer at a time.')


def _on_cluster(function, items, address):
    try:
        from distributed import Client, KilledWorker
        from distributed import as_completed as done
    except ImportError:
        raise TactileError('a cluster needs a library that is not installed (distributed)',
                           fix='Install it: pip install distributed') from None
    try:
        client = Client(address, timeout=CLUSTER_WITHIN)
    except (OSError, ValueError) as error:
        raise TactileError(f'the cluster does not answer ({error})', where=address,
                           fix='Is that the address of a Dask scheduler?') from None
    with client:
        waiting = {client.submit(_guarded, function, item, pure=False): item for item in items}
        for future in done(list(waiting)):
            try:
                result = _unpacked(future.result())
            except KilledWorker:
                result = _died(waiting[future])
            yield waiting[future], result

# SPDX-License-Identifier: Apache-2.0
"""The same results in one process, in several, and on a cluster."""

import os

import pytest

from tactile_nodes.errors import TactileError
from tactile_nodes.trials import many
from tactile_nodes.trials.many import for_each

ITEMS = list(range(6))


def work(item):
    if item == 3:
        raise TactileError('no good', where='item 3', fix='Take another.')
    if item == 5:
        os.environ['_WORKED_HERE'] = '1'
    return item * item, os.getpid()


def results(**options):
    found = dict(for_each(work, ITEMS, **options))
    assert set(found) == set(ITEMS)
    assert isinstance(found[3], TactileError)
    assert str(found[3]) == 'item 3: no good. Take another.'
    return {item: found[item] for item in ITEMS if item != 3}


def test_an_item_that_cannot_be_done_does_not_stop_the_rest():
    found = results(workers=1)
    assert {item: value for item, (value, _) in found.items()} == {0: 0, 1: 1, 2: 4, 4: 16, 5: 25}
    assert {pid for _, pid in found.values()} == {os.getpid()}


def test_other_processes_give_the_same():
    found = results(workers=2)
    assert {item: value for item, (value, _) in found.items()} == {0: 0, 1: 1, 2: 4, 4: 16, 5: 25}
    assert os.getpid() not in {pid for _, pid in found.values()}


def die(item):
    if item == 1:
        os._exit(9)
    return item


def test_a_process_that_dies_is_named():
    found = dict(for_each(die, [1, 2], workers=2))
    assert 'died' in str(found[1])


def test_a_cluster_gives_the_same():
    distributed = pytest.importorskip('distributed')
    with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=False, protocol='tcp',
            host='127.0.0.1', dashboard_address=None) as cluster:
        found = results(cluster=cluster.scheduler_address)
    assert {item: value for item, (value, _) in found.items()} == {0: 0, 1: 1, 2: 4, 4: 16, 5: 25}


def test_a_cluster_that_is_not_there_is_named(monkeypatch):
    pytest.importorskip('distributed')
    monkeypatch.setattr(many, 'CLUSTER_WITHIN', 1.0)
    with pytest.raises(TactileError, match='does not answer'):
        list(for_each(work, ITEMS, cluster='tcp://127.0.0.1:9'))

"""A load or the keeping of results that is killed leaves the store as before or as after, nothing between."""

import importlib.util
import sys
from pathlib import Path

import pytest

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("kill_load")

spec = importlib.util.spec_from_file_location("kill_load", Path(__file__).with_name("kill_load.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study  # its dataclasses look their module up
spec.loader.exec_module(study)


@pytest.fixture(scope="module")
def tasks(tmp_path_factory):
    return {task.name: task for task in study.prepared(tmp_path_factory.mktemp("killed"), sites=40)}


def test_the_tasks_change_records_journal_and_results(tasks):
    def differ(name):
        task = tasks[name]
        return {t for t in {*task.before, *task.after} if task.before.get(t) != task.after.get(t)}

    assert tasks["first"].before == {}
    assert {"records.visits", "records.work", "journal.loads", "journal.refused"} <= set(tasks["first"].after)
    assert {"records.visits", "records.work", "journal.loads", "journal.corrections"} <= differ("again")
    assert differ("results") == {"results.records_held", "results.removals", "results.effects"}


@pytest.mark.parametrize("name", study.TASKS)
def test_a_kill_leaves_the_store_as_before_or_as_after(tasks, name, tmp_path):
    found = study.killed(tasks[name], 4, tmp_path / "store.duckdb")
    assert found["neither"] == 0
    assert found["before"] > 0
    assert found.total() == 4


def test_a_store_half_changed_would_be_seen(tasks, tmp_path):
    path = study._copied(tasks["again"].start, tmp_path / "store.duckdb")
    from fleetstats.store import Store

    with Store(path) as store:
        store.run("DELETE FROM records.work WHERE rowid = 3")
    assert study.content(path) not in (tasks["again"].before, tasks["again"].after)

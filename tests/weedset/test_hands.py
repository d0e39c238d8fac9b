"""Work in order on processes, and on any `concurrent.futures.Executor`."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from weedset.errors import WorkersError
from weedset.hands import cluster_executor, in_order, memory_bytes


def test_a_container_has_no_more_memory_than_it_was_given(tmp_path: Path) -> None:
    """The two forms of memory.max: docs.kernel.org, "Control Group v2", memory interface files.

    Reference for the machine's: MemTotal of /proc/meminfo, in kB (proc(5)).
    """
    limit = tmp_path / "memory.max"
    whole = memory_bytes(limit)
    meminfo = dict(line.split(":", 1) for line in Path("/proc/meminfo").read_text().splitlines())
    assert whole == int(meminfo["MemTotal"].split()[0]) * 1024
    limit.write_text("max\n")
    assert memory_bytes(limit) == whole
    limit.write_text("536870912\n")
    assert memory_bytes(limit) == 536870912
    limit.write_text(f"{whole * 2}\n")
    assert memory_bytes(limit) == whole


def add(shared: int, item: int) -> int:
    return shared + item


def die_at_20(shared: int, item: int) -> int:
    if item == 20:
        os.kill(os.getpid(), signal.SIGKILL)
    return shared + item


@pytest.mark.parametrize("workers", [1, 2])
def test_results_come_in_order(workers: int) -> None:
    assert list(in_order(add, 100, range(50), workers)) == list(range(100, 150))
    assert list(in_order(add, 100, [], workers)) == []


def test_any_executor_will_do() -> None:
    with ThreadPoolExecutor(3) as threads:
        assert list(in_order(add, 1, range(1000), executor=threads)) == list(range(1, 1001))


def test_few_are_in_hand_at_a_time() -> None:
    asked = 0

    def items() -> Iterator[int]:
        nonlocal asked
        while True:
            asked += 1
            yield asked

    with ThreadPoolExecutor(2) as threads:
        results = in_order(add, 0, items(), executor=threads)
        assert [next(results) for _ in range(5)] == [1, 2, 3, 4, 5]
        assert asked < 300
        results.close()  # type: ignore[attr-defined]


def test_a_process_that_dies_is_told() -> None:
    with pytest.raises(WorkersError, match="died") as caught:
        list(in_order(die_at_20, 0, range(50), workers=2))
    assert "give the command again" in caught.value.fix


def test_no_cluster_is_no_executor() -> None:
    with cluster_executor("") as executor:
        assert executor is None


def test_nobody_at_the_address_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("weedset.hands._CONNECT_S", 0.2)
    with (
        pytest.raises(WorkersError, match="does not answer"),
        cluster_executor("tcp://127.0.0.1:9"),
    ):
        pass

"""How many wrong keys may be tried: by one client, by all, over a restart, under a clock that jumps."""

from __future__ import annotations

import os

import pytest

from logbook.dashboard.throttle import (
    MOST_KEPT,
    MOST_OVERALL,
    MOST_WRONG,
    OVERALL_WAIT_S,
    WAIT_S,
    Throttle,
    client_of,
)

STRANGER, OWNER = "192.0.2.7", "192.0.2.8"
"""Addresses for documentation (RFC 5737)."""


class Clock:
    def __init__(self) -> None:
        self.now = 1_750_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock():
    return Clock()


def tried(throttle, address, times=MOST_WRONG):
    for _ in range(times):
        throttle.note(address, "guess")


def test_one_client_waits_and_no_longer_than_it_is_told(clock):
    throttle = Throttle(clock=clock)
    tried(throttle, STRANGER, MOST_WRONG - 1)
    assert throttle.wait_s(STRANGER) == 0

    tried(throttle, STRANGER, 1)

    assert throttle.wait_s(STRANGER) == WAIT_S
    assert throttle.wait_s(OWNER) == 0
    clock.now += WAIT_S - 1
    assert throttle.wait_s(STRANGER) == 1
    clock.now += 1
    assert throttle.wait_s(STRANGER) == 0


def test_many_clients_together_have_to_wait_but_not_who_brought_the_right_key_nor_this_machine(clock):
    throttle = Throttle(clock=clock)
    throttle.welcome(OWNER)
    for number in range(MOST_OVERALL):
        throttle.note(f"198.51.100.{number}", "guess")

    assert throttle.wait_s("203.0.113.1") == OVERALL_WAIT_S
    assert throttle.wait_s(OWNER) == throttle.wait_s("127.0.0.1") == throttle.wait_s("::1") == 0
    tried(throttle, OWNER)
    assert throttle.wait_s(OWNER) == WAIT_S
    clock.now += OVERALL_WAIT_S
    assert throttle.wait_s("203.0.113.1") == 0


def test_what_was_counted_outlives_the_server(clock, tmp_path):
    file = tmp_path / "wrong.json"
    first = Throttle(file, clock)
    first.begin("old key")
    first.welcome(OWNER)
    for number in range(MOST_OVERALL):
        first.note(f"198.51.100.{number}", "guess")
    tried(first, STRANGER)

    again = Throttle(file, clock)

    assert again.wait_s(STRANGER) == OVERALL_WAIT_S
    assert again.wait_s(OWNER) == 0
    for _ in range(20):
        again.note(OWNER, "old key")
    assert again.wait_s(OWNER) == 0
    assert "old key" not in file.read_text()


def test_what_a_killed_server_left_goes_after_a_while(clock, tmp_path):
    dead, living = tmp_path / "wrong.json.0a1b2c3d.part", tmp_path / "wrong.json.99999999.part"
    for path in (dead, living):
        path.touch()
    os.utime(dead, (0, 0))

    Throttle(tmp_path / "wrong.json", clock).begin("key")

    assert {path.name for path in tmp_path.iterdir()} == {"wrong.json", living.name}


def test_two_servers_of_one_logbook_count_together(clock, tmp_path):
    one, other = (Throttle(tmp_path / "wrong.json", clock) for _ in range(2))
    tried(one, STRANGER, MOST_WRONG - 1)
    tried(other, STRANGER, 1)

    assert other.wait_s(STRANGER) == WAIT_S


@pytest.mark.parametrize("jump_s", [-86_400 * 365, -3600, 86_400 * 365])
def test_a_clock_that_jumps_locks_nobody_out(clock, jump_s):
    throttle = Throttle(clock=clock)
    tried(throttle, STRANGER)

    clock.now += jump_s

    assert throttle.wait_s(STRANGER) == 0


@pytest.mark.parametrize("found", ["", "[", "[]", "{}", '{"wrong": 1, "known": [], "former": []}', '{"wrong": [[1]]}'])
def test_a_file_that_makes_no_sense_is_begun_anew(clock, tmp_path, found):
    file = tmp_path / "wrong.json"
    file.write_text(found)
    throttle = Throttle(file, clock)

    tried(throttle, STRANGER)

    assert Throttle(file, clock).wait_s(STRANGER) == WAIT_S


def test_where_nothing_can_be_written_it_counts_all_the_same(clock, tmp_path):
    throttle = Throttle(tmp_path / "no such folder" / "wrong.json", clock)

    tried(throttle, STRANGER)

    assert throttle.wait_s(STRANGER) == WAIT_S


def test_only_so_much_is_remembered(clock, tmp_path):
    throttle = Throttle(tmp_path / "wrong.json", clock)
    for number in range(MOST_KEPT + 50):
        throttle.note(f"client {number}", "guess")

    assert len(throttle._memory.wrong) == MOST_KEPT


@pytest.mark.parametrize(
    ("address", "same"),
    [
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"),
        ("2001:db8:1:2:ffff::1%eth0", "2001:db8:1:2::"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("::1", "::1"),
        ("", ""),
    ],
)
def test_who_may_choose_many_addresses_is_one_client(address, same):
    """2001:db8::/32 is for documentation (RFC 3849)."""
    assert client_of(address) == same

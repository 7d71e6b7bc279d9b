"""Radio profiles: those that come along, and what is said of broken ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import FileProblem, UsageError
from asflown.link.profile import LaneProfile, RadioProfile, load_profile, profile_names


@pytest.mark.parametrize("name", profile_names())
def test_a_profile_carries_the_name_of_its_file(name: str) -> None:
    """Each is readable, says what it is, and is limited unless it is ideal."""
    profile = load_profile(name)
    assert profile.name == name
    assert profile.summary
    assert profile.up_lane.transparent == profile.down_lane.transparent == (name == "ideal")


def test_the_profiles_are_those_of_the_design() -> None:
    """Five, in alphabetical order."""
    assert profile_names() == ("ideal", "long-range-slow", "sub-ghz-telemetry", "wi-fi", "wired-serial")


def test_a_profile_of_one_s_own_is_read_from_its_path(tmp_path: Path) -> None:
    """Units are converted; what is left out does not limit."""
    file = tmp_path / "mine.yaml"
    file.write_text("name: mine\nup: {rate: 1000 B/s, latency: 40 ms, loss: {good_to_bad: 1 %}}\n")
    profile = load_profile(str(file))
    assert profile.up_lane.rate_bytes_per_s == 1000
    assert profile.up_lane.latency_s == 0.04
    assert profile.up_lane.loss.good_to_bad == 0.01
    assert profile.down_lane == LaneProfile()


def test_both_directions_may_be_given_at_once() -> None:
    """`both` is what code may write too, in plain numbers."""
    profile = RadioProfile.model_validate({"name": "mine", "both": {"rate": 500, "latency": 0.1}})
    assert profile.up_lane == profile.down_lane == LaneProfile(rate_bytes_per_s=500, latency_s=0.1)


RANGE = "is not a whole number of B/s from 10 to 1000000000. Write it like `1000 B/s`"
WRONG = {
    "no unit": ("name: x\nup: {rate: 1000}", f"2:12: `rate: 1000` {RANGE}"),
    "other unit": ("name: x\nup: {rate: 1000 baud}", f"2:12: `rate: 1000 baud` {RANGE}"),
    "too slow": ("name: x\nup: {rate: 1 B/s}", f"2:12: `rate: 1 B/s` {RANGE}"),
    "fraction": (
        "name: x\nup: {buffer: 0.5 B}",
        "2:14: `buffer: 0.5 B` is not a whole number of B from 0 to",
    ),
    "duration without unit": ("name: x\nup: {latency: 40}", "2:15: `latency: 40` has no unit"),
    "misspelt": ("name: x\nup: {latenci: 40 ms}", "2:6: unknown key `latenci`. Did you mean `latency`?"),
    "half of nothing": ("name: x\nhalf_duplex: {}", "2:1: `half_duplex` without a rate"),
    "half with a burst": (
        "name: x\nboth: {rate: 9 kB/s}".replace("9 kB/s", "900 B/s, burst: 9 B") + "\nhalf_duplex: {}",
        "3:1: `half_duplex` beside `burst`",
    ),
    "a status without end": ("name: x\nstatus: {rssi: 300}", "2:16: `rssi: 300` is out of range"),
    "half the bits": ("name: x\nboth: {bit_errors: 50 %}", "2:20: `bit_errors: 50 %` is out of range"),
    "in the wrong place": ("name: x\nturn_around: 4 ms", "2:1: unknown key `turn_around`. Known here are"),
    "more than all": ("name: x\nup: {loss: {in_bad: 120 %}}", "2:21: `in_bad: 120 %` is out of range"),
    "both and up": ("name: x\nboth: {}\nup: {}", "3:1: `up` beside `both`. Write `both`, or `up` and `down`"),
    "no name": ("up: {}", "1:1: the key `name` is missing"),
    "a name with blanks": ("name: my radio", "1:7: `name: my radio` is not allowed"),
    "a list": ("- 1", "1:1: the file holds no mapping"),
    "not YAML": ("name: [", "the file is not YAML"),
}


@pytest.mark.parametrize(("text", "message"), WRONG.values(), ids=list(WRONG))
def test_a_broken_profile_says_where_and_what(tmp_path: Path, text: str, message: str) -> None:
    """File, line and column, what is wrong and what to do."""
    file = tmp_path / "mine.yaml"
    file.write_text(text)
    with pytest.raises(FileProblem) as caught:
        load_profile(str(file))
    assert str(caught.value).startswith(f"{file}:")
    assert message in str(caught.value)


def test_an_unknown_name_offers_the_nearest() -> None:
    """The whole sentence."""
    with pytest.raises(UsageError) as caught:
        load_profile("wifi")
    assert str(caught.value) == (
        "there is no radio profile 'wifi'. Did you mean wi-fi? The profiles are ideal, long-range-slow, "
        "sub-ghz-telemetry, wi-fi, wired-serial; or give the path of a .yaml file"
    )


@pytest.mark.parametrize("name", ["./nowhere", "nowhere.yaml", "/"], ids=str)
def test_a_path_that_cannot_be_read_is_named(name: str) -> None:
    """With the system's reason."""
    with pytest.raises(UsageError, match="cannot be read: (No such file|Is a directory)"):
        load_profile(name)

"""Radio profiles: those that come along, and what is said of broken ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import UsageError
from asflown.link.profile import LaneProfile, RadioProfile, load_profile, profile_names


@pytest.mark.parametrize("name", profile_names())
def test_a_profile_carries_the_name_of_its_file(name: str) -> None:
    """Each is readable, says what it is, and is limited unless it is ideal."""
    profile = load_profile(name)
    assert profile.name == name
    assert profile.summary
    assert profile.up.transparent == profile.down.transparent == (name == "ideal")


def test_the_profiles_are_those_of_the_design() -> None:
    """Five, in alphabetical order."""
    assert profile_names() == ("ideal", "long-range-slow", "sub-ghz-telemetry", "wi-fi", "wired-serial")


def test_a_profile_of_one_s_own_is_read_from_its_path(tmp_path: Path) -> None:
    """Units are converted; what is left out does not limit."""
    file = tmp_path / "mine.yaml"
    file.write_text("name: mine\nup: {rate: 1000 B/s, latency: 40 ms, loss: {good_to_bad: 1 %}}\n")
    profile = load_profile(str(file))
    assert profile.up.rate_bytes_per_s == 1000
    assert profile.up.latency_s == 0.04
    assert profile.up.loss.good_to_bad == 0.01
    assert profile.down == LaneProfile()


def test_both_directions_may_be_given_at_once() -> None:
    """`both` is what code may write too, in plain numbers."""
    profile = RadioProfile.model_validate({"name": "mine", "both": {"rate": 500, "latency": 0.1}})
    assert profile.up == profile.down == LaneProfile(rate_bytes_per_s=500, latency_s=0.1)


WRONG = {
    "no unit": ("name: x\nup: {rate: 1000}", "up.rate: `1000` is not a whole number of B/s. Write it like"),
    "other unit": ("name: x\nup: {rate: 1000 baud}", "up.rate: `1000 baud` is not a whole number of B/s"),
    "fraction": ("name: x\nup: {buffer: 0.5 B}", "up.buffer: `0.5 B` is not a whole number of B"),
    "duration without unit": ("name: x\nup: {latency: 40}", "up.latency: "),
    "misspelt": ("name: x\nup: {latenci: 40 ms}", "up.latenci: "),
    "not yet": ("name: x\nturn_around: 4 ms", "turn_around: "),
    "certain loss": ("name: x\nup: {loss: {good_to_bad: 120 %}}", "up.loss.good_to_bad: "),
    "both and up": ("name: x\nboth: {}\nup: {}", "`both` excludes `up` and `down`. Write one or the other"),
    "no name": ("up: {}", "name: "),
    "a list": ("- 1", "Input should be"),
    "not YAML": ("name: [", " is not YAML: while parsing"),
    "a tag": ("name: !!python/object/apply:os.getcwd []", " is not YAML: could not determine a constructor"),
    "empty": ("", "Input should be"),
}


@pytest.mark.parametrize(("text", "message"), WRONG.values(), ids=list(WRONG))
def test_a_broken_profile_says_where_and_what(tmp_path: Path, text: str, message: str) -> None:
    """The file, the key, what is wrong and what to do; nothing but a UsageError."""
    file = tmp_path / "mine.yaml"
    file.write_text(text)
    with pytest.raises(UsageError) as caught:
        load_profile(str(file))
    assert str(caught.value).startswith(f"radio profile {file}")
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


def test_a_file_that_is_no_text_or_too_large_is_refused(tmp_path: Path) -> None:
    """Neither is read as YAML."""
    binary, large = tmp_path / "a.yaml", tmp_path / "b.yaml"
    binary.write_bytes(b"\xff\xfe\x00")
    large.write_text("#" * 70_000)
    for file in (binary, large):
        with pytest.raises(UsageError):
            load_profile(str(file))

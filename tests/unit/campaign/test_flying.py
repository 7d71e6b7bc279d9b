"""How a flight of a campaign is called."""

from __future__ import annotations

from asflown.campaign.flying import given_in_words


def test_values_keep_their_units_and_files_lose_their_folder() -> None:
    """A unit has a slash as well."""
    given = {
        "conditions.wind.speed": "4.2 m/s",
        "conditions.radio": "profiles/far.link.yaml",
        "start.battery": "80 %",
    }
    assert given_in_words(given) == "wind.speed 4.2 m/s, radio far.link.yaml, battery 80 %"

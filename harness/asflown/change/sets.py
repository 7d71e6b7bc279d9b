"""Flown flights and sets of them: the vocabulary of everything that judges change.

A set holds flights of one kind: one scenario on one vehicle, release and clock. What would mix kinds is refused.
What may vary inside a set (script, scenario file, parameters, conditions, machine) is named in `notes`, never hidden.
Flights that were not carried out are left out and named. Equal seeds in lockstep are copies: they count once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Literal, TypeVar

from asflown.errors import FolderProblem, UsageError
from asflown.grade.grade import FILE_NAME as GRADE_FILE
from asflown.grade.grade import grade_flight, read_grade
from asflown.grade.result import Grade, Measured
from asflown.record import decode
from asflown.record import folder as folders
from asflown.record import manifest as manifests
from asflown.record.manifest import Manifest
from asflown.record.series import Source, Track
from asflown.record.track import load_track
from asflown.scenario.file import load_scenario
from asflown.scenario.model import Scenario

T = TypeVar("T")

NOT_FLOWN = frozenset({"error", "interrupted"})
"""Outcomes of flights that say nothing about the script or the vehicle."""


@dataclass(frozen=True, order=True, slots=True)
class Kind:
    """What all flights of a set have in common."""

    scenario: str
    vehicle: str
    release: str
    """'' where the vehicle does not tell."""
    clock: Literal["lockstep", "paced"]

    def __str__(self) -> str:
        at = f"@{self.release}" if self.release else ""
        return f"{self.scenario}/{self.vehicle}{at}, {self.clock}"


def kind_of(manifest: Manifest) -> Kind:
    """The kind of the flight with this manifest."""
    vehicle = manifest.vehicle
    return Kind(manifest.scenario, vehicle.name, vehicle.release or "", manifest.clock.kind)


@dataclass(frozen=True, eq=False)
class FlownFlight:
    """One flight's folder. Captures are read when they are asked for, and kept; so is what is computed from them."""

    folder: Path
    manifest: Manifest

    @property
    def kind(self) -> Kind:
        """What it is a flight of."""
        return kind_of(self.manifest)

    @cached_property
    def missing(self) -> tuple[str, ...]:
        """What is not whole of its captures, a sentence each; nothing is concluded from such a flight."""
        return folders.cut_short(self.folder, self.manifest)

    @cached_property
    def scenario(self) -> Scenario | None:
        """Its scenario file as it is today; None when it is not there any more. Raises FileProblem for a bad one."""
        file = Path(self.manifest.scenario_file)
        return scenario_at(file) if file.is_file() else None

    @cached_property
    def grade(self) -> Grade:
        """The grade in its folder, or made anew where there is none that this version can read.

        Raises FolderProblem when neither can be had.
        """
        if (self.folder / GRADE_FILE).is_file():
            try:
                return read_grade(self.folder)
            except FolderProblem:
                if self.scenario is None:
                    raise
        if self.scenario is None:
            raise FolderProblem(
                f"{self.folder} has no grade, and its scenario is not at {self.manifest.scenario_file}",
                "Go to where it was flown, or grade it with `asflown grade FOLDER --scenario FILE`",
            )
        return grade_flight(self.folder, self.scenario)

    @cached_property
    def uplink(self) -> decode.Index:
        """What the script sent, in the order in which the hub saw it."""
        return decode.index(self.folder / folders.SCRIPT_TLOG)

    @cached_property
    def downlink(self) -> decode.Index:
        """What came from the vehicle, behind its radio."""
        return decode.index(self.folder / folders.VEHICLE_TLOG)

    @cached_property
    def estimate(self) -> Track:
        """The track by the vehicle's own account. Raises FolderProblem when there is none."""
        home = None if self.scenario is None else self.scenario.start.home
        return load_track(self.folder, "estimate", home)

    @cached_property
    def truth(self) -> Track:
        """The track as it was. Raises FolderProblem where nobody knows it."""
        return load_track(self.folder, "truth")

    def track(self, source: Source) -> Track:
        """The track of one source. Raises FolderProblem."""
        return self.estimate if source == "estimate" else self.truth

    def computed(self, what: Hashable, compute: Callable[[], T]) -> T:
        """What `compute` gives, computed once for this flight; `what` names it and must name nothing else."""
        if what not in self._computed:
            self._computed[what] = compute()
        kept: T = self._computed[what]
        return kept

    @cached_property
    def _computed(self) -> dict[Hashable, Any]:
        return {}

    def flight_s(self, time_us: int) -> float:
        """Flight time of a stamp in its captures, seconds."""
        return (time_us - self.manifest.clock.epoch_us) / 1e6

    def measured(self, name: str, source: Source | None = None) -> Measured | None:
        """One of its measures; None when its grade does not have it."""
        found = (one for one in self.grade.measures if one.name == name and source in {None, one.source})
        return next(found, None)


def scenario_at(file: Path) -> Scenario:
    """The scenario in a file, read once for all flights of it. Raises what reading it raises."""
    place = file.resolve()
    try:
        state = place.stat()
    except OSError:
        return load_scenario(file).scenario  # which says what is wrong
    return _scenario_at(file, place, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=64)
def _scenario_at(file: Path, _place: Path, _modified_ns: int, _size: int) -> Scenario:
    return load_scenario(file).scenario


def read_flight(folder: Path) -> FlownFlight:
    """The flight in `folder`. Raises FolderProblem when it is not a flight's folder."""
    return FlownFlight(folder, folders.read_manifest(folder))


@dataclass(frozen=True)
class FlightSet:
    """Flights of one kind, sorted by seed and then by when they were flown; at least one. Make it by `make_set`."""

    name: str
    """As the user named it."""
    kind: Kind
    flights: tuple[FlownFlight, ...]
    """Samples only: no copies, none that was not carried out."""
    notes: tuple[str, ...] = field(default=())
    """What varies inside, and what was left out; plain sentences without a full stop."""

    def __len__(self) -> int:
        return len(self.flights)

    def __iter__(self) -> Iterator[FlownFlight]:
        return iter(self.flights)

    @property
    def seeds(self) -> tuple[int, ...]:
        """The seed of each flight, in the order of `flights`."""
        return tuple(one.manifest.seed for one in self.flights)

    def measures(self) -> tuple[tuple[str, Source], ...]:
        """Name and source of each measure that any flight has, in the order of the scenario."""
        found = ((one.name, one.source) for flight in self.flights for one in flight.grade.measures)
        return tuple(dict.fromkeys(found))

    def values(self, name: str, source: Source) -> list[float]:
        """A measure's value in each flight that could measure it, SI."""
        found = (flight.measured(name, source) for flight in self.flights)
        return [one.value for one in found if one is not None and one.value is not None]


def make_set(name: str, flights: Iterable[FlownFlight]) -> FlightSet:
    """A set of these flights, in whatever order they come.

    Raises UsageError when they are of several kinds, or none was carried out.
    """
    given = sorted(flights, key=_order)
    carried_out = [one for one in given if one.manifest.outcome not in NOT_FLOWN]
    flown = [one for one in carried_out if not one.missing]
    if not flown and carried_out:
        raise FolderProblem(
            f"{name} holds no flight whose captures are whole: {carried_out[0].missing[0]}",
            "Take whole copies",
        )
    if not flown:
        raise UsageError(f"{name} holds no flight that was carried out", "Name flights that were flown")
    kinds = Counter(one.kind for one in flown)
    if len(kinds) > 1:
        listed = "; ".join(f"{number} of {kind}" for kind, number in sorted(kinds.items()))
        raise UsageError(
            f"{name} mixes flights that belong in no common statistic: {listed}",
            "Name flights of one scenario, vehicle, release and clock, as in `nest-boxes/palm80@r1`",
        )
    samples = _without_copies(flown)
    left_out = _left_out(
        len(given) - len(carried_out), len(carried_out) - len(flown), len(flown) - len(samples)
    )
    notes = (*left_out, *_varies(samples))
    return FlightSet(name, flown[0].kind, tuple(samples), notes)


def split_by_kind(name: str, flights: Iterable[FlownFlight]) -> tuple[FlightSet, ...]:
    """A set for each kind among these flights, sorted by kind; flights not carried out, or not whole, are left out."""
    gathered: dict[Kind, list[FlownFlight]] = {}
    for one in flights:
        if one.manifest.outcome not in NOT_FLOWN and not one.missing:
            gathered.setdefault(one.kind, []).append(one)
    return tuple(make_set(f"{name} ({kind})", gathered[kind]) for kind in sorted(gathered))


def flights_in(store: Path) -> Iterator[FlownFlight]:
    """Every flight whose folder lies in `store`, by name; folders that are none are passed over.

    Raises FolderProblem when `store` cannot be read, or a manifest in it cannot.
    """
    try:
        entries = sorted(store.iterdir())
    except OSError as error:
        raise FolderProblem(
            f"{store} cannot be read ({error.strerror})", "Name a folder with flights"
        ) from error
    for entry in entries:
        if (entry / manifests.FILE_NAME).is_file():
            yield read_flight(entry)


def load_set(words: Sequence[str], store: Path = folders.FLIGHTS) -> FlightSet:
    """The set that a user names by one or more words.

    A word is a flight's folder, a folder of such folders, or a selector `scenario/vehicle@release` (either part may
    be missing): the latest state in `store`, which is every flight that was flown with the same scenario file,
    script, release, parameters and clock as the newest one. Raises UsageError (FolderProblem among them).
    """
    flights = [one for word in words for one in _named_by(word, store)]
    unique = {one.folder.resolve(): one for one in flights}
    return make_set(" ".join(words), unique.values())


def _named_by(word: str, store: Path) -> list[FlownFlight]:
    place = Path(word)
    if (place / manifests.FILE_NAME).is_file():
        return [read_flight(place)]
    if place.is_dir():
        found = list(flights_in(place))
        if not found:
            raise FolderProblem(f"{word} holds no flights", f"Name a folder such as {folders.FLIGHTS}")
        return found
    return _latest(word, store)


def _latest(word: str, store: Path) -> list[FlownFlight]:
    """The latest state of what a selector names."""
    here = list(flights_in(store)) if store.is_dir() else []
    chosen = [one for one in here if one.manifest.outcome not in NOT_FLOWN and _selects(word, one.kind)]
    if not chosen:
        known = sorted({str(one.kind).partition(",")[0] for one in here})
        names = ", ".join(known) if known else "none at all"
        raise UsageError(
            f"there is no folder `{word}`, and no flight of that name in {store}", f"Flights there: {names}"
        )
    newest = max(chosen, key=lambda one: (one.manifest.started_utc, one.folder.name))
    return [one for one in chosen if _state(one) == _state(newest)]


def _selects(word: str, kind: Kind) -> bool:
    """Whether `nest-boxes/palm80@r2`, `nest-boxes`, `palm80@r2` or `palm80` means flights of this kind."""
    first, slash, last = word.partition("/")
    with_release = f"{kind.vehicle}@{kind.release}"
    if slash:
        return first == kind.scenario and last in {kind.vehicle, with_release}
    return word in {kind.scenario, kind.vehicle, with_release}


def _state(flight: FlownFlight) -> tuple[object, ...]:
    """What makes two flights repetitions of each other."""
    one = flight.manifest
    return (flight.kind, one.scenario_sha256, one.script_sha256, one.vehicle.parameters_sha256)


def _order(flight: FlownFlight) -> tuple[object, ...]:
    return (flight.manifest.seed, flight.manifest.started_utc, flight.folder.name)


def _without_copies(flights: Sequence[FlownFlight]) -> list[FlownFlight]:
    """Drops flights in lockstep that repeat another one: equal seed, and equal in all that was given."""
    seen: set[tuple[object, ...]] = set()
    kept = []
    for one in flights:
        what = (one.manifest.seed, _state(one), one.manifest.model_dump_json(include={"conditions", "start"}))
        if one.kind.clock == "lockstep" and what in seen:
            continue
        seen.add(what)
        kept.append(one)
    return kept


def _left_out(not_flown: int, cut_short: int, copies: int) -> Iterator[str]:
    if not_flown:
        yield f"{_flights(not_flown)} not carried out and left out"
    if cut_short:
        yield f"{_flights(cut_short)} left out because captures are cut short or missing"
    if copies:
        yield f"{_flights(copies)} in lockstep copies of another and counted once"


def _flights(number: int) -> str:
    return "1 flight was" if number == 1 else f"{number} flights were"


_MAY_VARY: tuple[tuple[str, Callable[[Manifest], object]], ...] = (
    ("script folders", lambda one: one.script_sha256),
    ("scenario files", lambda one: one.scenario_sha256),
    ("sets of parameters", lambda one: one.vehicle.parameters_sha256),
    ("conditions", lambda one: one.model_dump_json(include={"conditions", "start"})),
    ("machines", lambda one: one.clock.fingerprint),
)


def _varies(flights: Sequence[FlownFlight]) -> Iterator[str]:
    for what, of in _MAY_VARY:
        number = len({of(one.manifest) for one in flights})
        if number > 1:
            yield f"the flights have {number} different {what}"

"""The profile: a unit type's ratings and limits, as a person writes them in TOML."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationError,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from runner.errors import InputError
from runner.limits import LIMITS
from runner.quantity import (
    Limit,
    Span,
    Tolerance,
    parse_limit,
    parse_quantity,
    parse_span,
    parse_tolerance,
)
from runner.sense_circuit import SenseCircuit
from runner.toml_source import PlacedError, load_model

__all__ = [
    "Amperes",
    "BackFeed",
    "Decision",
    "LimitEntry",
    "MainsRating",
    "Profile",
    "ResolvedLimit",
    "StrictModel",
    "TapPoints",
    "UnitRatings",
    "Volts",
    "find_profile",
    "load_profile",
    "quantity_in",
    "shipped_profiles",
]

CURRENT_FORMAT = 1


class StrictModel(BaseModel):
    """Unknown keys are errors; values do not change after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


@dataclass(frozen=True, slots=True)
class MainsRating:
    """Rated line voltage (V rms) and frequency (Hz)."""

    voltage_v: float
    frequency_hz: float


@dataclass(frozen=True, slots=True)
class ResolvedLimit:
    """A limit in force and where it comes from."""

    limit: Limit
    source: str


def _mains(value: Any) -> MainsRating:
    if isinstance(value, MainsRating):
        return value
    text = str(value)
    parts = text.replace(" V", "V").replace(" Hz", "Hz").split()
    if len(parts) != 2:
        raise ValueError(
            f"expected line voltage and frequency such as '230 V 50 Hz', found {text!r}"
        )
    rating = MainsRating(parse_quantity(parts[0], "V"), parse_quantity(parts[1], "Hz"))
    if not (80 <= rating.voltage_v <= 300 and 45 <= rating.frequency_hz <= 65):
        raise ValueError(f"expected 80 V to 300 V and 45 Hz to 65 Hz, found {text!r}")
    return rating


def _span_in(unit: str) -> tuple[BeforeValidator, PlainSerializer, WithJsonSchema]:
    return (
        BeforeValidator(lambda v: v if isinstance(v, Span) else parse_span(str(v), unit)),
        PlainSerializer(lambda s: f"{s.low:.12g} {unit} .. {s.high:.12g} {unit}"),
        WithJsonSchema({"type": "string", "examples": [f"0 {unit} .. 24 {unit}"]}),
    )


def quantity_in(unit: str) -> tuple[BeforeValidator, PlainSerializer, WithJsonSchema]:
    """Annotations that make a float field read "20 mV" and be written back with its unit."""
    return (
        BeforeValidator(lambda v: v if isinstance(v, float) else parse_quantity(str(v), unit)),
        PlainSerializer(lambda v: None if v is None else f"{v:.12g} {unit}"),
        WithJsonSchema({"type": "string", "examples": [f"1 {unit}"]}),
    )


def _tolerance_list(value: Any) -> Any:
    if not isinstance(value, list | tuple):
        raise ValueError(f"expected a list such as ['9.5 V ± 0.5 V'], found {value!r}")
    return tuple(v if isinstance(v, Tolerance) else parse_tolerance(str(v), "V") for v in value)


Volts = Annotated[float, *quantity_in("V")]
Amperes = Annotated[float, *quantity_in("A")]
VoltSpan = Annotated[Span, *_span_in("V")]
AmpereSpan = Annotated[Span, *_span_in("A")]
Tolerances = Annotated[
    tuple[Tolerance, ...],
    BeforeValidator(_tolerance_list),
    PlainSerializer(lambda ts: [f"{t.nominal:.12g} V ± {t.half_width:.12g} V" for t in ts]),
    WithJsonSchema({"type": "array", "items": {"type": "string", "examples": ["9.5 V ± 0.5 V"]}}),
]
Mains = Annotated[
    MainsRating,
    BeforeValidator(_mains),
    PlainSerializer(lambda m: f"{m.voltage_v:.12g} V {m.frequency_hz:.12g} Hz"),
    WithJsonSchema({"type": "string", "examples": ["230 V 50 Hz"]}),
]


class UnitRatings(StrictModel):
    """What the unit is and what it is rated for."""

    maker: str = Field(min_length=1)
    model: str = Field(min_length=1)
    kind: Literal["linear", "linear-tapped", "switch-mode"]
    grade: Literal["hobby", "lab", "switch-mode"] = "hobby"
    tap_control: Literal["none", "relay", "scr", "phase", "preregulator"] = "none"
    voltage: VoltSpan
    current: AmpereSpan
    mains: Mains
    output: Literal["floating", "negative-earthed", "positive-earthed"] = "floating"
    setting: Literal["hand", "remote"] = "hand"
    float_rating: Volts | None = None
    protection_class: Literal["I", "II", "III"] = "I"
    setting_step: Volts | None = None

    @model_validator(mode="after")
    def _consistent(self) -> UnitRatings:
        if self.tap_control == "relay" and self.kind != "linear-tapped":
            raise ValueError(
                f"tap_control 'relay' belongs to kind 'linear-tapped', found kind {self.kind!r}"
            )
        if self.kind == "linear-tapped" and self.tap_control == "none":
            raise ValueError("kind 'linear-tapped' needs tap_control, found 'none'")
        return self

    @property
    def class_(self) -> str:
        """The class whose proposed default limits apply."""
        return "switch-mode" if self.kind == "switch-mode" else self.grade


class LimitEntry(StrictModel):
    """One limit of the profile; ``max`` is read with the unit that belongs to the limit's name."""

    max: str
    source: str = Field(min_length=1)


_SAME_PART = 1e-9


class TapPoints(StrictModel):
    """Where the winding should change, rising (``up``) and falling (``down``).

    Either as numbers, or by the ``circuit`` of each tap point: ``up`` and ``down`` are then
    the corners of its parts' tolerances.
    """

    up: Tolerances
    down: Tolerances | None = None
    hysteresis_min: Volts = 0.3
    circuit: tuple[SenseCircuit, ...] | None = None
    source: str = "proposed default"

    @model_validator(mode="before")
    @classmethod
    def _from_circuit(cls, values: Any) -> Any:
        if not isinstance(values, dict) or "circuit" not in values:
            return values
        if values["circuit"] is None:
            return {key: value for key, value in values.items() if key != "circuit"}
        if not isinstance(values["circuit"], list | tuple) or not values["circuit"]:
            raise ValueError("expected a table [[limits.tap-points.circuit]] for each tap point")
        circuits = tuple(
            _circuit(one, number) for number, one in enumerate(values["circuit"], start=1)
        )
        computed = {
            "up": tuple(one.rising.band() for one in circuits),
            "down": tuple(one.falling.band() for one in circuits),
        }
        for key, bands in computed.items():
            if key in values and not _same_bands(_tolerance_list(values[key]), bands):
                raise ValueError(f"expected either {key} or the sensing circuit, found both")
        source = values.get("source", "computed from the sensing circuit's parts")
        return {**values, **computed, "circuit": circuits, "source": source}

    @model_validator(mode="after")
    def _ordered(self) -> TapPoints:
        nominals = [t.nominal for t in self.up]
        if nominals != sorted(nominals) or len(set(nominals)) != len(nominals):
            raise ValueError(f"expected tap points in rising order, found {nominals}")
        if self.down is not None and len(self.down) != len(self.up):
            raise ValueError(f"expected {len(self.up)} down points, found {len(self.down)}")
        return self


def _same_bands(given: Any, computed: tuple[Tolerance, ...]) -> bool:
    """Whether these are the computed ones, as a record of the profile holds them."""
    return len(given) == len(computed) and all(
        abs(a.low - b.low) + abs(a.high - b.high) <= _SAME_PART * (abs(a.high) + 1.0)
        for a, b in zip(given, computed, strict=True)
    )


class BackFeed(StrictModel):
    """What the maker allows an outside source to do to the output.

    ``voltage`` is the most it may hold the output at, ``current`` the most it may drive in.
    """

    voltage: Volts = Field(ge=2.0)
    current: Amperes = Field(gt=0.0)
    source: str = Field(min_length=1)


class Decision(StrictModel):
    """How a value near its limit is decided."""

    rule: Literal["simple", "guard-band"] = "guard-band"
    coverage: float = Field(default=0.95, gt=0.5, lt=1.0)


def _said(model: type[BaseModel], first: Any) -> str:
    """Return the first complaint about a table as "expected …, found …"."""
    known = ", ".join(sorted(model.model_fields))
    last = first["loc"][-1] if first["loc"] else ""
    return {
        "extra_forbidden": f"expected a key out of {known}, found {last!r}",
        "missing": f"expected the key {last!r}, found nothing",
    }.get(first["type"], str(first["msg"]).removeprefix("Value error, "))


def _circuit(entry: Any, number: int) -> SenseCircuit:
    try:
        return SenseCircuit.model_validate(entry)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        said = f"{_said(SenseCircuit, first)} (sensing circuit {number}{f', {key}' if key else ''})"
        raise ValueError(said) from None


def _limit_entry(name: str, entry: Any) -> Any:
    if not isinstance(entry, dict):
        return entry
    model = TapPoints if name == "tap-points" else LimitEntry
    try:
        return model.model_validate(entry)
    except ValidationError as error:
        first = error.errors()[0]
        message = _said(model, first)
        place = () if first["type"] == "missing" else first["loc"]
        raise PlacedError(message, (name, *place)) from None


class Profile(StrictModel):
    """A unit type: ratings, limits, decision rule."""

    format: Literal[1]
    unit: UnitRatings
    limits: dict[str, LimitEntry | TapPoints] = Field(default_factory=dict)
    decision: Decision = Decision()
    back_feed: BackFeed | None = None
    """Permission for the check back-feed; without it that question is not asked."""
    favourites_v: tuple[float, ...] = (3.3, 5.0, 9.0, 12.0, 13.8, 15.0, 24.0)

    @field_validator("limits", mode="before")
    @classmethod
    def _limit_kinds(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            raise ValueError(f"expected tables such as [limits.load-effect], found {value!r}")
        known = ", ".join(sorted([*LIMITS, "tap-points"]))
        for name in value:
            if name != "tap-points" and name not in LIMITS:
                raise PlacedError(f"expected a limit name out of {known}, found {name!r}", (name,))
        return {name: _limit_entry(name, entry) for name, entry in value.items()}

    @model_validator(mode="after")
    def _limits_fit(self) -> Profile:
        for name, entry in self.limits.items():
            if isinstance(entry, LimitEntry):
                try:
                    parse_limit(entry.max, LIMITS[name].unit)
                except ValueError as error:
                    raise PlacedError(str(error), ("limits", name, "max")) from None
        taps = self.tap_points
        if taps is None and self.unit.tap_control == "relay":
            raise PlacedError(
                "a unit with tap relays needs [limits.tap-points]", ("unit", "tap_control")
            )
        if taps is not None and self.unit.tap_control == "none":
            raise PlacedError(
                "[limits.tap-points] contradicts tap_control 'none'", ("limits", "tap-points")
            )
        if taps is not None:
            top = self.unit.voltage.high
            outside = [t.nominal for t in taps.up if not 0 < t.nominal < top]
            if outside:
                raise PlacedError(
                    f"expected tap points inside the rated 0 V to {top:g} V,"
                    f" found {outside[0]:g} V",
                    ("limits", "tap-points", "up"),
                )
        return self

    @property
    def tap_points(self) -> TapPoints | None:
        """The tap points, None for a unit without."""
        entry = self.limits.get("tap-points")
        return entry if isinstance(entry, TapPoints) else None

    def limit(self, name: str) -> ResolvedLimit:
        """Return the limit in force: the profile's own, else the default proposed for the class."""
        spec = LIMITS[name]
        entry = self.limits.get(name)
        if isinstance(entry, LimitEntry):
            return ResolvedLimit(parse_limit(entry.max, spec.unit), entry.source)
        text, source = spec.defaults[self.unit.class_]
        return ResolvedLimit(parse_limit(text, spec.unit), source)


def shipped_profiles() -> Path:
    """Folder of the profiles that come along."""
    spec = find_spec("profiles")
    if spec is None or not spec.submodule_search_locations:
        raise InputError("the folder 'profiles' is missing from the installation")
    return Path(next(iter(spec.submodule_search_locations)))


def find_profile(name: str, beside: Path | None = None) -> Path:
    """Return the file of a profile given by path or by the name of one that comes along.

    :raises InputError: neither a file nor a known name
    """
    places = [Path(name)]
    if beside is not None:
        places += [beside / name, beside.parent / f"{name}.toml", beside / f"{name}.toml"]
    shipped = shipped_profiles()
    places.append(shipped / f"{name}.toml")
    for place in places:
        if place.is_file():
            return place
    known = ", ".join(sorted(p.stem for p in shipped.glob("*.toml")))
    raise InputError(
        "there is no such profile",
        key="profile",
        expected=f"a file, or one of {known}",
        found=repr(name),
    )


def load_profile(path: Path) -> Profile:
    """Read a profile.

    :raises InputError: with file, line, key, expected and found
    """
    return load_model(Profile, path)

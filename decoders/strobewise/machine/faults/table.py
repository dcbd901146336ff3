"""What a kind of fault is, what one fault is, and the catalogue of all kinds.

A kind turns its parameters into effects: small records with typed fields that say what is wrong with which part, and nothing
about how anybody plays it. The pin-level bench plays an effect by `put`; whoever runs a machine another way reads the same fields.
"""

from __future__ import annotations

import inspect
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Callable, Dict, Mapping, NamedTuple, Protocol, Sequence, Tuple, TypeVar, Union

from ...bus.lines import LINE
from ...bus.model import Suspect
from ...errors import ScenarioError
from ..wiring import PLACES, REACH

if TYPE_CHECKING:
    from ..plan import Plan

#: What a parameter may hold.
Value = Union[str, int, float, bool, Sequence[str], None]
Values = Mapping[str, Value]
Names = Tuple[str, ...]
Suspects = Tuple[Suspect, ...]


class Effect(Protocol):
    """One thing that is wrong. Every effect is a NamedTuple in the file of its place."""

    def put(self, plan: Plan) -> None:
        """Put it into a run of the pin-level bench. Raises ScenarioError where the machine has nothing that it could spoil."""


Effects = Tuple[Effect, ...]


class Parameter(NamedTuple):
    """One parameter of a fault. A default of None means that it must be given."""

    name: str
    default: Value
    allowed: str  #: what it may be, for people
    check: Callable[[object], bool]


class FaultKind(NamedTuple):
    """A row of the catalogue."""

    name: str
    place: str  #: where it sits: the file of this folder that describes it
    explanation: str
    parameters: Tuple[Parameter, ...]
    effects: Callable[..., Effects]  #: takes the parameters by name
    lines: Callable[..., Names]  #: the lines that it spoils
    suspects: Callable[..., Suspects]  #: the true one first, then those that look alike from the capture
    without_effect: Callable[..., Names]  #: the parameters that these values leave without effect, so that they must not be given
    state: str  #: the verdict that it deserves; "any" where it may well do no harm


FAULTS: Dict[str, FaultKind] = {}

_Function = TypeVar("_Function", bound=Callable[..., Effects])
_NamesOf = Union[Names, Callable[..., Names]]
_AnyNames = TypeVar("_AnyNames", Names, Suspects)


def fault_kind(
    name: str,
    *,
    explanation: str,
    suspects: Union[Suspects, Callable[..., Suspects]],
    parameters: Tuple[Parameter, ...] = (),
    lines: _NamesOf = (),
    without_effect: _NamesOf = (),
    state: str = "fault",
) -> Callable[[_Function], _Function]:
    """Enter a kind of fault into the catalogue; the function decorated takes the parameters by name and returns the effects.

    suspects, lines, without_effect: names, or a function of the parameters. Raises ValueError for a name that is taken and for
    parameters other than those of the function: one that nobody reads would do nothing.
    """
    if name in FAULTS:
        raise ValueError(f"two kinds of fault are called {name!r}")

    def enter(effects: _Function) -> _Function:
        taken = list(inspect.signature(effects).parameters)
        if taken != [parameter.name for parameter in parameters]:
            raise ValueError(f"{name}: the function takes {taken}, the catalogue says {[p.name for p in parameters]}")
        text = " ".join(explanation.split())
        place = effects.__module__.rpartition(".")[2]
        FAULTS[name] = FaultKind(name, place, text, parameters, effects, _of(lines), _of(suspects), _of(without_effect), state)
        return effects

    return enter


def _of(names: Union[_AnyNames, Callable[..., _AnyNames]]) -> Callable[..., _AnyNames]:
    if callable(names):
        return names
    constant = names
    return lambda **_: constant


@dataclass(frozen=True)
class Fault:
    """One fault with its parameters. Raises ScenarioError (where: the key) for what the kind does not allow."""

    kind: str
    parameters: Values = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            raise ScenarioError(f"no fault is called {self.kind!r}", "kind", "one of " + ", ".join(FAULTS))
        kind = FAULTS[self.kind]
        names = [parameter.name for parameter in kind.parameters]
        for name in self.parameters:
            if name not in names:
                raise ScenarioError(f"{self.kind} has no parameter {name!r}", name, "one of " + (", ".join(names) or "none"))
        for parameter in kind.parameters:
            value = self.parameters.get(parameter.name, parameter.default)
            if value is None:
                raise ScenarioError(f"{parameter.name} is missing", parameter.name, parameter.allowed)
            if not parameter.check(value):
                raise ScenarioError(f"{parameter.name} is {value!r}", parameter.name, parameter.allowed)
        _check_place(self.values)
        for name in kind.without_effect(**self.values):
            if name in self.parameters:
                raise ScenarioError(f"{name} has no effect on this {self.kind}", name, "leave it out")

    @property
    def values(self) -> Dict[str, Value]:
        """All parameters, defaults filled in; a place that was left open is filled by the line's direction."""
        kind = FAULTS[self.kind]
        values = {p.name: self.parameters.get(p.name, p.default) for p in kind.parameters}
        if values.get("at") == "":
            values["at"] = "cpu" if LINE[str(values["line"])].direction == "output" else "line"
        return values

    @property
    def effects(self) -> Effects:
        """What is wrong, as typed records."""
        return FAULTS[self.kind].effects(**self.values)

    def apply(self, plan: Plan) -> None:
        """Put it into a run of the pin-level bench. Raises ScenarioError where the machine has nothing that it could spoil."""
        for effect in self.effects:
            effect.put(plan)

    @property
    def lines(self) -> Names:
        """The lines that it spoils."""
        return FAULTS[self.kind].lines(**self.values)

    @property
    def suspects(self) -> Suspects:
        """Who is to blame: the true one first, then those that look alike from the capture."""
        return FAULTS[self.kind].suspects(**self.values)

    @property
    def state(self) -> str:
        return FAULTS[self.kind].state


def _check_place(values: Values) -> None:
    """Raise ScenarioError where a fault at the place would change nothing that anybody sees of the line."""
    if "at" not in values:
        return
    line = str(values["line"])
    # A clock that stops anywhere on its way stops the machine, so there is but one place for it.
    reached = ("line",) if line == "CLK" else tuple(at for at in PLACES if (LINE[line].direction, at) in REACH)
    where = [at for at in PLACES if at == "probe" or at in reached]
    if values["at"] not in where:
        raise ScenarioError(f"{line} does not reach the {values['at']}", "at", "one of " + ", ".join(where))


def fault(kind: str, **parameters: Value) -> Fault:
    """Return a fault: ``fault("dead-low", line="M1")``."""
    return Fault(kind, parameters)

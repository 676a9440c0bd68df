"""The one table of rights: role × action."""

from enum import StrEnum


class Role(StrEnum):
    """What a person, or a thermometer, is here for."""

    COMMISSARY = "commissary"
    KEEPER = "keeper"
    NUTRITIONIST = "nutritionist"
    VET = "vet"
    MANAGER = "manager"
    INSPECTOR = "inspector"
    DEVICE = "device"


class Action(StrEnum):
    """What a route does. Every route declares one."""

    LOOK = "look"
    SET_UP = "set-up"
    RECEIVE = "receive"
    ASSAY = "assay"
    HOLD = "hold"
    RELEASE = "release"
    REJECT = "reject"
    CONDEMN = "condemn"
    CORRECT_LOT = "correct-lot"
    MOVE = "move"
    COUNT = "count"
    REVERSE = "reverse"
    RECORD_TEMPERATURES = "record-temperatures"
    CALIBRATE = "calibrate"
    CHECK = "check"
    DECIDE_EXCURSION = "decide-excursion"
    PLAN_THAW = "plan-thaw"
    PULL = "pull"
    TEND_THAW = "tend-thaw"
    KEEP_ANIMALS = "keep-animals"
    SET_DIET = "set-diet"
    PROPOSE_DIET = "propose-diet"
    SUBSTITUTE = "substitute"
    FEED = "feed"
    SET_REQUIREMENTS = "set-requirements"
    PLAN_SUPPLEMENTS = "plan-supplements"
    SIGN_SUPPLEMENTS = "sign-supplements"
    GIVE_SUPPLEMENTS = "give-supplements"
    ORDER_MEDICATION = "order-medication"
    WATCH = "watch"
    DECIDE_WATCH = "decide-watch"
    ACKNOWLEDGE = "acknowledge"
    READ_AUDIT = "read-audit"


_STAFF = frozenset(
    {Role.COMMISSARY, Role.KEEPER, Role.NUTRITIONIST, Role.VET, Role.MANAGER, Role.INSPECTOR}
)
_KITCHEN = frozenset({Role.COMMISSARY, Role.KEEPER, Role.MANAGER})

RIGHTS: dict[Action, frozenset[Role]] = {
    Action.LOOK: _STAFF,
    Action.SET_UP: frozenset({Role.MANAGER}),
    Action.RECEIVE: frozenset({Role.COMMISSARY, Role.MANAGER}),
    Action.ASSAY: frozenset({Role.COMMISSARY, Role.NUTRITIONIST, Role.VET, Role.MANAGER}),
    Action.HOLD: frozenset(
        {Role.COMMISSARY, Role.KEEPER, Role.NUTRITIONIST, Role.VET, Role.MANAGER}
    ),
    Action.RELEASE: frozenset({Role.VET, Role.MANAGER}),
    Action.REJECT: frozenset({Role.COMMISSARY, Role.MANAGER}),
    Action.CONDEMN: frozenset({Role.VET, Role.MANAGER}),
    Action.CORRECT_LOT: frozenset({Role.COMMISSARY, Role.VET, Role.MANAGER}),
    Action.MOVE: frozenset({Role.COMMISSARY, Role.MANAGER}),
    Action.COUNT: frozenset({Role.COMMISSARY, Role.MANAGER}),
    Action.REVERSE: _KITCHEN,
    Action.RECORD_TEMPERATURES: frozenset({Role.COMMISSARY, Role.MANAGER, Role.DEVICE}),
    # Whoever makes the ice bath. What follows from it (an offset, a fault) is the manager's.
    Action.CALIBRATE: _KITCHEN,
    Action.CHECK: _KITCHEN | {Role.VET},
    # Warm fish is the vet's to decide on: the rule excursion-open says who may decide what.
    Action.DECIDE_EXCURSION: frozenset({Role.COMMISSARY, Role.VET, Role.MANAGER}),
    Action.PLAN_THAW: _KITCHEN,
    # The vet pulls what only the vet may decide on: fish past its age limit.
    Action.PULL: _KITCHEN | {Role.VET},
    Action.TEND_THAW: _KITCHEN,
    Action.KEEP_ANIMALS: frozenset({Role.KEEPER, Role.NUTRITIONIST, Role.VET, Role.MANAGER}),
    Action.SET_DIET: frozenset({Role.NUTRITIONIST, Role.VET, Role.MANAGER}),
    Action.PROPOSE_DIET: frozenset({Role.KEEPER, Role.NUTRITIONIST, Role.VET, Role.MANAGER}),
    # Only fish that the diet names as a substitute: that was approved with the diet.
    Action.SUBSTITUTE: _KITCHEN | {Role.NUTRITIONIST, Role.VET},
    Action.FEED: frozenset({Role.COMMISSARY, Role.KEEPER, Role.VET, Role.MANAGER}),
    Action.SET_REQUIREMENTS: frozenset({Role.NUTRITIONIST, Role.VET, Role.MANAGER}),
    Action.PLAN_SUPPLEMENTS: frozenset({Role.KEEPER, Role.NUTRITIONIST, Role.VET, Role.MANAGER}),
    Action.SIGN_SUPPLEMENTS: frozenset({Role.NUTRITIONIST, Role.VET}),
    Action.GIVE_SUPPLEMENTS: frozenset({Role.KEEPER, Role.VET, Role.MANAGER}),
    Action.ORDER_MEDICATION: frozenset({Role.VET}),
    Action.WATCH: frozenset({Role.KEEPER, Role.VET, Role.MANAGER}),
    Action.DECIDE_WATCH: frozenset({Role.VET, Role.MANAGER}),
    Action.ACKNOWLEDGE: _KITCHEN | {Role.VET},
    Action.READ_AUDIT: frozenset({Role.MANAGER, Role.INSPECTOR, Role.VET}),
}


def may(role: Role, action: Action) -> bool:
    """Whether a role carries a right."""
    return role in RIGHTS[action]

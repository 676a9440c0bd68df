"""Every rule, every kind of refusal and every figure of the policy is explained to its users."""

import ast
from collections.abc import Iterator
from pathlib import Path

from service.app import PROBLEM_KINDS, describe_problem
from service.decisions import PRECEDENCE
from service.errors import FishhouseError
from service.security.rules import Role
from service.site.rules import RULE_BY_ID, RULES, Policy, default_policy, handling_rules
from tests.architecture.addresses import ROOT
from tests.kitchen import Kitchen


def calls() -> Iterator[tuple[Path, ast.Call]]:
    """Every call in the service."""
    for path in (ROOT / "service").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call):
                yield path, node


def name_of(call: ast.Call) -> str:
    return ast.unparse(call.func)


def constant(node: ast.expr | None) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def kinds_used() -> set[str]:
    """The kinds of problem that the code can answer with, as far as they are not rules'."""
    used = {error.kind for error in _tree(FishhouseError)} - {"problem"}
    for _, call in calls():
        first = constant(call.args[0]) if call.args else None
        if name_of(call) == "NotFound.of" and first:
            used.add(f"unknown-{first.replace(' ', '-')}")
        if name_of(call) == "Conflict.exists":
            used.add("already-exists")
        if name_of(call) == "problem" and first:
            used.add(first)
        used |= {
            k for w in call.keywords if w.arg == "kind" and (k := constant(w.value)) and "-" in k
        }
    for node in ast.walk(ast.parse((ROOT / "service/http/problems.py").read_text())):
        if isinstance(node, ast.Dict) and all(
            isinstance(k, ast.Constant) and isinstance(k.value, int) for k in node.keys
        ):
            used |= {k for value in node.values if (k := constant(value)) and " " not in k}
    return used


def _tree(error: type[FishhouseError]) -> Iterator[type[FishhouseError]]:
    yield error
    for below in error.__subclasses__():
        yield from _tree(below)


def test_every_kind_of_refusal_has_a_meaning_and_every_meaning_a_use() -> None:
    used = kinds_used()
    assert {"validation", "unknown-lot", "already-exists", "too-large", "no-diet"} <= used
    assert used - set(PROBLEM_KINDS) - set(RULE_BY_ID) == set()
    assert set(PROBLEM_KINDS) - used == set()


def test_the_address_of_a_problem_says_what_it_means(small_kitchen: Kitchen) -> None:
    stranger = small_kitchen.stranger
    for kind in (*PROBLEM_KINDS, *RULE_BY_ID):
        answer = stranger.get(f"/problems/{kind}")
        assert answer.status_code == 200
        assert answer.json() == {"type": f"/problems/{kind}", "meaning": describe_problem(kind)}
        assert not answer.json()["meaning"].startswith("No problem")
    assert stranger.get("/problems/nonsense").json()["meaning"].startswith("No problem")


def test_every_finding_that_the_code_makes_is_in_the_register() -> None:
    made = {
        rule
        for _, call in calls()
        if name_of(call).endswith("finding") and call.args and (rule := constant(call.args[0]))
    }
    assert len(made) > 12
    assert made - set(RULE_BY_ID) == set()


def test_rules_that_decide_the_name_of_a_refusal_are_in_the_register() -> None:
    assert set(PRECEDENCE) <= set(RULE_BY_ID)


def test_the_register_shows_every_rule_with_its_figures_in_force(small_kitchen: Kitchen) -> None:
    shown = {rule["id"]: rule for rule in small_kitchen.keeper.shown("/rules")["items"]}
    assert set(shown) == {rule.id for rule in RULES} and len(shown) == len(RULES)
    roles = {str(role) for role in Role}
    for rule in shown.values():
        assert rule["says"] and rule["source"]
        assert rule["severity"] in {"block", "hold", "warn", "plan", "notify"}
        assert set(rule["may_override"]) <= roles
        for figure in rule["figures"]:
            assert figure["source"], f"{rule['id']}: {figure['key']} has no source"
            assert figure["value"] == figure["default"]
    change = {"changes": {"clock_freezer_out_h": 12}, "reason": "the vet asks for it"}
    small_kitchen.manager.put("/sites/main/policy", change)
    now = {rule["id"]: rule for rule in small_kitchen.keeper.shown("/rules")["items"]}
    figures = {figure["key"]: figure for figure in now["clock-from-freezer"]["figures"]}
    changed = figures["clock_freezer_out_h"]
    assert (changed["value"], changed["default"]) == (12.0, 24.0)


def test_every_figure_of_the_policy_has_a_row_with_a_source_or_a_description() -> None:
    rows = handling_rules()
    for name, field in Policy.model_fields.items():
        if name in rows:
            assert rows[name]["source"], name
        else:
            assert field.description, f"{name} is neither in the table nor described"


def test_the_defaults_of_the_policy_are_those_of_the_trades_table() -> None:
    defaults, rows = default_policy().model_dump(), handling_rules()
    for name, value in defaults.items():
        if name in rows:
            assert float(rows[name]["value"].replace("−", "-")) == value, name

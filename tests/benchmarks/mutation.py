"""Faults planted one at a time in the statistics, and how many of them the tests notice.

    python -m tests.benchmarks.mutation [--count N] [--seed S] [--modules NAME ...]

One comparison, operator or number of one module is changed; the module's own tests then run in a forked
process that imports the changed module, until one fails (the fault is noticed) or none does (it survives).
The faults are drawn at random from all that the modules allow. A survivor is a gap in the tests or a change
that makes no difference, such as the last digit of a starting value; all of them are listed.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib
import importlib.abc
import importlib.util
import os
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
SECONDS = 300  # on the clock; a fault may make a loop endless
NOT_TIMED = "not second"  # a busy machine would be taken for a fault noticed
COMPARE = ["test_compare.py"]
OWN_TESTS = {
    "amount": ["test_sizing_amount.py"],
    "below_limit": ["test_sizing_below_limit.py"],
    "laws": ["test_sizing_below_limit.py"],
    "distribution": ["test_sizing_distribution.py"],
    "exact": ["test_sizing_exact.py", "test_sizing_went_past.py"],
    "orifices": ["test_sizing_orifices.py"],
    "passing": ["test_sizing_passing.py"],
    "ratings": ["test_sizing_ratings.py"],
    "sieves": ["test_sizing_sieves.py"],
    "standards": ["test_sizing_standards.py"],
    "went_past": ["test_sizing_went_past.py"],
    "compare": COMPARE,
    "needed": COMPARE,
    "planner": COMPARE,
    "rate_ratio": COMPARE,
    "spread": COMPARE,
    "trend": COMPARE,
    "two_sample": COMPARE,
}
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.And: ast.Or,
    ast.Or: ast.And,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}


@dataclass(frozen=True)
class Fault:
    """One change: the module, the line, what it was and became, and the module's text with it."""

    module: str
    line: int
    change: str
    source: str


def faults_of(module: str) -> Iterator[Fault]:
    """Every fault that can be planted in a module."""
    tree = ast.parse((ROOT / "triage" / "sizing" / f"{module}.py").read_text(encoding="utf-8"))
    for number, node in enumerate(places(tree)):
        for part, value in changes(node):
            changed = copy.deepcopy(tree)
            at = places(changed)[number]
            before = ast.unparse(at)
            setattr(at, part, value)
            yield Fault(module, node.lineno, f"{before}  ->  {ast.unparse(at)}", ast.unparse(changed))


def places(tree: ast.Module) -> list[ast.expr]:
    """Expressions that compute, in a fixed order: not those of annotations, decorators or texts."""
    left_out: set[int] = set()
    for node in ast.walk(tree):
        beside: list[ast.AST | None] = []
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            beside += node.decorator_list
        if isinstance(node, ast.FunctionDef):
            beside.append(node.returns)
        if isinstance(node, ast.arg | ast.AnnAssign):
            beside.append(node.annotation)
        if isinstance(node, ast.JoinedStr | ast.Raise):
            beside.append(node)
        left_out |= {id(inner) for each in beside if each for inner in ast.walk(each)}
    return [node for node in ast.walk(tree) if isinstance(node, ast.expr) and id(node) not in left_out]


def changes(node: ast.expr) -> Iterator[tuple[str, object]]:
    """Which part of an expression can be changed, and to what."""
    if isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
        yield "op", SWAPS[type(node.op)]()
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        yield "ops", [SWAPS[type(node.ops[0])](), *node.ops[1:]]
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield "op", ast.UAdd()
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield "value", node.value + 1
    elif isinstance(node, ast.Constant) and type(node.value) is bool:
        yield "value", not node.value


class Planted(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports the changed text in place of the module's own."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        self.name = f"triage.sizing.{fault.module}"

    def find_spec(self, name: str, *_: object) -> ModuleSpec | None:
        """Only this one module comes from here."""
        return importlib.util.spec_from_loader(name, self) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed text as the module."""
        exec(compile(self.fault.source, self.name, "exec"), module.__dict__)


def noticed(fault: Fault | None, tests: list[str]) -> bool:
    """Whether any of the tests fails with the fault planted (None: as the module is)."""
    child = os.fork()
    if child == 0:
        _child(fault, tests)
    began = time.monotonic()
    while os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        if time.monotonic() - began > SECONDS:
            os.kill(child, signal.SIGKILL)
        time.sleep(0.02)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0


def _child(fault: Fault | None, tests: list[str]) -> None:
    """Never returns: ends the process with whether the tests passed."""
    import pytest

    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    status = 1
    try:
        if fault is not None:
            sys.meta_path.insert(0, Planted(fault))
        paths = [str(ROOT / "tests" / "triage" / test) for test in tests]
        status = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-k", NOT_TIMED, *paths]))
    finally:
        os._exit(min(status, 1))


def main() -> None:
    """Plant the faults and print how many were noticed, and those that were not."""
    arguments = argparse.ArgumentParser(description="Faults planted in the statistics, and who notices.")
    arguments.add_argument("--count", type=int, default=120)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--modules", nargs="+", default=list(OWN_TESTS), choices=list(OWN_TESTS))
    chosen = arguments.parse_args()
    for library in ("scipy.optimize", "scipy.stats"):  # loaded once, for all the children
        importlib.import_module(library)
    for module in chosen.modules:
        if noticed(None, OWN_TESTS[module]):
            sys.exit(f"The tests of {module} fail as it is: {' '.join(OWN_TESTS[module])}.")
    every = [fault for module in chosen.modules for fault in faults_of(module)]
    drawn = np.random.default_rng(chosen.seed).permutation(len(every))[: chosen.count]
    survivors = 0
    for fault in (every[index] for index in sorted(drawn)):
        if not noticed(fault, OWN_TESTS[fault.module]):
            survivors += 1
            print(f"survives: {fault.module}.py:{fault.line}: {fault.change}", flush=True)
    killed = len(drawn) - survivors
    print(f"{killed} of {len(drawn)} noticed ({100 * killed / len(drawn):.0f} %), of {len(every)} possible.")


if __name__ == "__main__":
    main()

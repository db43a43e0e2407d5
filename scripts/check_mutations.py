"""
Change one thing in the source and see whether a test fails: ``check_mutations.py [--mutants N]``.

Mutants are drawn over the packages by turns, from a seed, none twice. Each is tried in a copy of
the checkout against the test files nearest to it, by the words of its path and by what they name,
until a test fails that passes on the same file unchanged. Prints a line a mutant and how many were
found; ``--whole`` runs the whole suite against those that were not; ``--list`` only shows them.
Exit code 1 where more than one in ten lives.
"""

import argparse
import ast
import difflib
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SOURCE = Path("src/glademark")
KEPT = ("src", "tests", "scripts", "sample_gis", "docs", "pyproject.toml", "README.md",
        "CHANGELOG.md", "DEVELOPERS.md", "CITATION.cff", "LICENSE", ".ci")  # fmt: skip

STRICT = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
OPPOSITE = {
    ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
SIGN = {ast.Add: ast.Sub, ast.Sub: ast.Add}
FACTOR = {ast.Mult: ast.Div, ast.Div: ast.Mult}
EITHER_WAY = {"min", "max", "minimum", "maximum", "hypot"}  # a swap changes nothing
LIVES_AT_MOST = 0.1
OUT_OF_TIME = "(out of time)"
NOT_COLLECTED = "tests that cannot be collected"


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One change: where, what, and the text of the file with it."""

    path: Path
    line: int
    kind: str
    text: str
    unchanged: str
    function: str

    @property
    def where(self) -> str:
        """File and line."""
        return f"{self.path.relative_to(SOURCE)}:{self.line}"

    @property
    def change(self) -> str:
        """The lines that differ."""
        lines = difflib.unified_diff(self.unchanged.splitlines(), self.text.splitlines(), n=0)
        return "\n".join(f"    {one}" for one in lines if re.match(r"[-+][^-+]", one))


def changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Kinds of change and the node in place of this one."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        for kind, by in (("comparison", OPPOSITE), ("boundary", STRICT)):
            if other := by.get(type(node.ops[0])):
                yield kind, ast.Compare(node.left, [other()], node.comparators)
    if isinstance(node, ast.BinOp) and not _is_text(node):
        for kind, by in (("sign", SIGN), ("factor", FACTOR)):
            if other := by.get(type(node.op)):
                yield kind, ast.BinOp(node.left, other(), node.right)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield "sign", node.operand
    yield from _changed_calls(node)


def _changed_calls(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Arguments swapped, and calls left out."""
    if isinstance(node, ast.Call) and len(node.args) > 1 and not _starred(node.args[:2]):
        one, two, *rest = node.args
        name = ast.unparse(node.func).rsplit(".", 1)[-1]
        if ast.dump(one) != ast.dump(two) and name not in EITHER_WAY:
            yield "swapped pair", ast.Call(node.func, [two, one, *rest], node.keywords)
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield "dropped call", ast.Pass()
    if isinstance(node, ast.Call) and node.args and _is_method(node.func):
        yield "dropped call", node.func.value  # type: ignore[attr-defined] # a method has one


def _is_text(node: ast.BinOp) -> bool:
    """Whether text is put together."""
    sides = (node.left, node.right)
    return any(
        isinstance(one, ast.JoinedStr | ast.List | ast.Tuple)
        or (isinstance(one, ast.Constant) and isinstance(one.value, str))
        for one in sides
    )


def _starred(arguments: list[ast.expr]) -> bool:
    """Whether a pair holds something to be unpacked."""
    return any(isinstance(one, ast.Starred) for one in arguments)


def _is_method(function: ast.expr) -> bool:
    """Whether something is called on the result of a call, which can stand without it."""
    return isinstance(function, ast.Attribute) and isinstance(function.value, ast.Call)


class _Replace(ast.NodeTransformer):
    """Puts one node in the place of another."""

    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        """The node, or the new one."""
        if node is self.old:
            return ast.copy_location(self.new, node)
        return self.generic_visit(node)


def mutants_of(path: Path, chance: random.Random) -> Mutant | None:
    """One mutant of a file, each kind of change as likely as another; None where there is none."""
    text = (ROOT / path).read_text(encoding="utf-8")
    by_kind: dict[str, list[tuple[int, int, str]]] = {}
    for function in (node for node in ast.walk(ast.parse(text)) if _is_function(node)):
        for place, node in enumerate(ast.walk(function)):
            for number, (kind, _) in enumerate(changes(node)):
                name = function.name  # type: ignore[attr-defined] # a function has one
                by_kind.setdefault(kind, []).append((node.lineno, place, f"{name} {number}"))
    if not by_kind:
        return None
    kind = chance.choice(sorted(by_kind))
    line, place, which = chance.choice(sorted(by_kind[kind]))
    name, number = which.split()
    tree = ast.parse(text)
    for function in (node for node in ast.walk(tree) if _is_function(node)):
        nodes = [*ast.walk(function)]
        if function.name != name or place >= len(nodes):  # type: ignore[attr-defined] # the same
            continue
        found = [*changes(nodes[place])]
        if getattr(nodes[place], "lineno", 0) == line and int(number) < len(found):
            changed = _Replace(nodes[place], found[int(number)][1]).visit(tree)
            new = ast.unparse(ast.fix_missing_locations(changed))
            old = ast.unparse(ast.parse(text))
            return Mutant(path=path, line=line, kind=kind, text=new, unchanged=old, function=name)
    return None


def _is_function(node: ast.AST) -> bool:
    """Whether a node is a function."""
    return isinstance(node, ast.FunctionDef)


def drawn(number: int, seed: int) -> Iterator[Mutant]:
    """Mutants over the packages by turns."""
    chance = random.Random(seed)  # noqa: S311 - a draw that can be drawn again
    packages: dict[str, list[Path]] = {}
    for path in sorted((ROOT / SOURCE).rglob("*.py")):
        own = path.relative_to(ROOT)
        if "plugin" not in own.parts:  # the desktop's Python runs it
            packages.setdefault(own.relative_to(SOURCE).parts[0], []).append(own)
    whole = [paths for name, paths in sorted(packages.items()) if not name.endswith(".py")]
    made: set[Mutant] = set()
    while len(made) < number:
        mutant = mutants_of(chance.choice(whole[len(made) % len(whole)]), chance)
        if mutant is not None and mutant not in made:
            made.add(mutant)
            yield mutant


def nearest_tests(mutant: Mutant, most: int) -> list[str]:
    """The module's own examples, and test files by words of the path and by what they name."""
    module = mutant.path.relative_to(SOURCE).with_suffix("").as_posix()
    says_module = re.compile(rf"glademark\.{re.escape(module.replace('/', '.'))}\b")
    says_function = re.compile(rf"\b{re.escape(mutant.function)}\b")
    texts = {
        path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted((ROOT / "tests").rglob("test_*.py"))
    }
    named = [name for name, text in texts.items() if says_function.search(text)]
    ranked = []
    for name, text in texts.items():
        score = (
            2 * _words_shared(module, name.removeprefix("tests/").replace("test_", ""))
            + 3 * bool(says_module.search(text))
            + 3 * (name in named and len(named) <= most)
        )
        if score:
            ranked.append((-score, len(text), name))
    own = [mutant.path.as_posix()] if ">>>" in mutant.text else []
    return own + [name for _, _, name in sorted(ranked)[:most]]


def _words_shared(one: str, other: str) -> int:
    """How many words of a path are much like one of another's: advice and advise, for example."""
    words, others = (re.findall(r"[a-z]{4,}", path.removesuffix(".py")) for path in (one, other))
    return sum(bool(difflib.get_close_matches(word, others, cutoff=0.7)) for word in set(words))


def copied(folder: Path) -> None:
    """Copy the checkout; one copy serves all mutants, so that little is compiled again."""
    for name in KEPT:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        elif source.exists():
            shutil.copy2(source, folder / name)


def found_by(mutant: Mutant, tests: list[str], seconds: float, folder: Path) -> str:
    """The test that fails with the change and passes without it, empty where there is none."""
    place = folder / mutant.path
    left_out: list[str] = []
    try:
        while tests:
            place.write_text(mutant.text, encoding="utf-8")
            failed = _failed([*tests, *left_out], seconds, folder)
            place.write_text(mutant.unchanged, encoding="utf-8")
            if not failed or failed == OUT_OF_TIME:
                return failed
            again = tests[:1] if failed == NOT_COLLECTED else [failed]
            if _failed(again, seconds, folder) != failed:
                return failed
            if failed == NOT_COLLECTED:
                sys.exit("The tests cannot be collected without a change either.")
            left_out.append(f"--deselect={failed}")
    finally:
        shutil.copy2(ROOT / mutant.path, place)
    return ""


def _failed(tests: list[str], seconds: float, folder: Path) -> str:
    """The first test that fails, empty where none does."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:xdist", "--no-header"]
    try:
        ran = subprocess.run(  # noqa: S603 - our own tests
            [*command, *tests],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(folder / "src")},
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return OUT_OF_TIME
    failed = re.findall(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", ran.stdout, flags=re.MULTILINE)
    return str(failed[0]) if failed else ("" if ran.returncode in {0, 5} else NOT_COLLECTED)


def main() -> int:
    """Exit code: 1 where too many live."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--mutants", type=int, default=60)
    words.add_argument("--first", type=int, default=0, help="leave out those before")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--files", type=int, default=8, help="test files for each")
    words.add_argument("--seconds", type=float, default=300.0)
    words.add_argument("--whole", action="store_true", help="the whole suite for those that live")
    words.add_argument("--list", action="store_true", help="only show the changes")
    asked = words.parse_args()
    mutants = [*enumerate(drawn(asked.mutants, asked.seed))][asked.first :]
    if asked.list:
        for number, mutant in mutants:
            print(number, mutant.where, mutant.function, mutant.kind, mutant.change, sep="\n")
        return 0
    lived = []
    with tempfile.TemporaryDirectory(prefix="mutants-") as place:
        copied(Path(place))
        for number, mutant in mutants:
            start = time.monotonic()
            by = found_by(mutant, nearest_tests(mutant, asked.files), asked.seconds, Path(place))
            if by in {"", OUT_OF_TIME} and asked.whole:
                by = found_by(mutant, ["tests"], 20 * asked.seconds, Path(place))
            lived += [mutant.where] if by in {"", OUT_OF_TIME} else []
            verdict = f"found by {by}" if by not in {"", OUT_OF_TIME} else f"LIVES {by}"
            spent = f"{time.monotonic() - start:.0f} s"
            print(
                f"{number} {mutant.where} {mutant.function}: {mutant.kind}: {verdict} ({spent})",
                flush=True,
            )
    print(f"{len(mutants) - len(lived)} of {len(mutants)} found")
    return int(len(lived) > LIVES_AT_MOST * len(mutants))


if __name__ == "__main__":
    sys.exit(main())

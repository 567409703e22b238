"""Does what docs/quickstart.md says, as it stands there, and holds the answers against those that stand there.

    python tests/quickstart.py PROGRAM

Each of the three languages against a service of its own, at the same time. Needs bash, curl and, for the TypeScript, Node.js.
"""

import concurrent.futures
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

PAGE = pathlib.Path(__file__).parent.parent / "docs" / "quickstart.md"
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
MARK = "-- answered --"


def blocks():
    """Pairs of what is to be done, by language, and what is answered: the fence right after it, if it is an answer."""
    fences = FENCE.findall(PAGE.read_text(encoding="utf-8"))
    for (language, text), (kind, answer) in zip(fences, fences[1:] + [("", "")]):
        if language in ("sh", "python", "typescript"):
            yield language, text, answer if kind in ("json", "text") else None


def differs(told, shown, at="#"):
    """Where what is told lacks something that is shown; None where it has all of it."""
    if isinstance(shown, dict):
        if not isinstance(told, dict):
            return f"{at} is {told!r}, not an object"
        found = (differs(told[name], value, f"{at}/{name}") if name in told else f"{at}/{name} is missing"
                 for name, value in shown.items())
        return next((one for one in found if one), None)
    if isinstance(shown, list):
        if not isinstance(told, list) or len(told) != len(shown):
            return f"{at} is {told!r}, not {shown!r}"
        found = (differs(one, other, f"{at}/{n}") for n, (one, other) in enumerate(zip(told, shown)))
        return next((one for one in found if one), None)
    return None if told == shown else f"{at} is {told!r}, not {shown!r}"


def served(program, task):
    """What `task` gives with the surroundings of a service on an empty book."""
    with tempfile.TemporaryDirectory() as folder:
        command = [program, "serve", "--listen", "127.0.0.1:0", "--log", "warn", "--database-url",
                   f"sqlite://{folder}/tankside.db"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            try:
                ready = json.loads(process.stdout.readline())
                task(folder, {**os.environ, "URL": ready["listening"], "KEY": ready["first_key"]})
            finally:
                process.terminate()


def shell(folder, around):
    steps = [(text, answer) for language, text, answer in blocks() if language == "sh"]
    script = "set -euo pipefail\n" + "".join(f"{text}\necho '{MARK}'\n" for text, _ in steps)
    done = subprocess.run(["bash", "-c", script], cwd=folder, env=around, capture_output=True, text=True, timeout=300,
                          stdin=subprocess.DEVNULL)
    assert done.returncode == 0, done.stderr + done.stdout
    told = done.stdout.split(MARK)
    assert len(told) == len(steps) + 1 > 10, "every step answers"
    for answer, (text, shown) in zip(told, steps):
        if shown is not None:
            difference = differs(json.loads(answer), json.loads(shown))
            assert difference is None, f"{text}\n{difference}\n{answer}"


def program_of(language, name, command):
    def run(folder, around):
        [(text, shown)] = [(text, answer) for of, text, answer in blocks() if of == language]
        path = pathlib.Path(folder) / name
        path.write_text(text, encoding="utf-8")
        done = subprocess.run([*command, str(path)], env=around, capture_output=True, text=True, timeout=300,
                              stdin=subprocess.DEVNULL)
        assert done.returncode == 0, done.stderr
        assert done.stdout == shown, done.stdout
    return run


def main():
    [_, program] = sys.argv
    # The TypeScript has no types in it, so that it runs as it stands.
    node = shutil.which("node") or sys.exit("node is not there: install Node.js 20 or newer")
    tasks = [shell, program_of("python", "quickstart.py", [sys.executable]),
             program_of("typescript", "quickstart.mjs", [node])]
    with concurrent.futures.ThreadPoolExecutor() as pool:
        for done in [pool.submit(served, program, task) for task in tasks]:
            done.result()
    print(f"{len(tasks)} ways through docs/quickstart.md, each with its answers")


main()

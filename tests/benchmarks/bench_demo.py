"""Times the demo's best network by precision with its proof, and `siting verify` on it. Run by hand, some minutes.

python tests/benchmarks/bench_demo.py [WORKERS]
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REGION = Path(__file__).parents[2] / "regions" / "farwinds"


def run(*words):
    """Return the exit code and the seconds of a command."""
    begin = time.perf_counter()
    command = [sys.executable, "-c", "from siting.cli import main; main()", *map(str, words)]
    done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    return done.returncode, time.perf_counter() - begin


def main():
    workers = ["--workers", sys.argv[1]] if len(sys.argv) > 1 else []
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run"
        code, seconds = run("plan", REGION, *workers, "--out", out)
        layout = json.loads((out / "layout.json").read_text(encoding="utf-8"))
        size = (out / "proof.json").stat().st_size / 1e6
        print(
            f"plan: exit {code}, {seconds:.0f} s, value {layout['value']:.6f}, bound {layout['bound']:.6f}, "
            f"gap {100 * layout['gap']:.3f} %, proved {layout['proved']}, proof.json {size:.1f} MB",
            flush=True,
        )
        code, seconds = run("verify", out, "--region", REGION)
        print(f"verify: exit {code}, {seconds:.0f} s")


if __name__ == "__main__":
    main()

"""What is equal stays equal on every machine: a last digit decides no order, no edge and no question.

The array library takes wider instructions where the processor has them, and its exponentials,
sums and sorts then differ in the last digits. Oracle: the same program with those instructions switched off.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from record_sessions import FOLDER
from session_scripts import SCRIPTS

from diagnose.predictions.outcomes import planning_outcomes
from diagnose.predictions.table import Column
from diagnose.ties import foremost, in_order, least

HERE = Path(__file__).resolve().parent
PLAY = """
import sys, tempfile
from pathlib import Path
sys.path.insert(0, {here!r})
from record_sessions import record
from session_scripts import SCRIPTS
script = next(s for s in SCRIPTS if s.name == {name!r})
sys.stdout.buffer.write(record(script, Path(tempfile.mkdtemp(dir={folder!r}))).text.encode())
"""


def test_values_a_hair_apart_keep_the_order_of_the_list_and_others_fall():
    values = np.array([0.3, 1.0, 1.0 + 3e-6, 0.3 + 1e-6, 0.0, 0.9])
    assert in_order(values).tolist() == [1, 2, 5, 0, 3, 4]
    assert (foremost(values), least(values)) == (1, 4)
    assert in_order(np.zeros(0)).tolist() == []
    assert (foremost(np.array([-1.0, -1.0])), least(np.array([7.0, 5.0, 5.0 + 1e-6]))) == (0, 1)


@pytest.mark.parametrize("seed", range(20))
def test_noise_in_the_last_digits_moves_no_place(seed):
    rng = np.random.default_rng(seed)
    values = rng.choice([0.11, 0.2, 0.35, 0.351, 2.4], size=300)  # many ties, two of them close together
    blurred = values * (1.0 + 2e-6 * rng.standard_normal(300))
    assert (
        in_order(blurred).tolist()
        == in_order(values).tolist()
        == sorted(range(300), key=lambda i: (-values[i], i))
    )


@pytest.mark.parametrize("seed", range(20))
def test_neither_the_order_of_suspects_nor_a_last_digit_moves_a_bin(seed):
    rng = np.random.default_rng(seed)
    value = rng.choice([0.0, 0.4, 5.1, 11.9, 12.3, 12.4], size=60)
    spread = rng.choice([0.02, 0.1, 0.4], size=60)
    shuffled = rng.permutation(60)

    def table(value: np.ndarray, spread: np.ndarray) -> np.ndarray:
        return planning_outcomes(Column("m", "volts", "V", value=value, spread=spread, low=0.0, high=15.0))

    plain = table(value, spread)
    np.testing.assert_allclose(table(value[shuffled], spread[shuffled]), plain[:, shuffled], atol=1e-6)
    noisy = value + 1e-12 * rng.standard_normal(60)
    np.testing.assert_allclose(table(noisy, spread), plain, atol=1e-5)


@pytest.mark.parametrize("name", ["single_dim_trade", "twin_headlamp_meter"])
def test_a_processor_without_wide_instructions_asks_the_same_questions(name, tmp_path):
    wide = np.show_config(mode="dicts")["SIMD Extensions"]["found"]  # none on the plainest: then as it is
    assert name in {s.name for s in SCRIPTS}
    environment = {
        **os.environ,
        "NPY_DISABLE_CPU_FEATURES": " ".join(wide),
        "DIAGNOSE_CACHE": str(tmp_path / "cache"),
        "PYTHONPATH": str(HERE.parent),
    }
    code = PLAY.format(here=str(HERE), name=name, folder=str(tmp_path))
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, timeout=100)
    assert done.returncode == 0, done.stderr.decode()
    assert done.stdout.decode() == (FOLDER / f"{name}.txt").read_text(encoding="utf-8")

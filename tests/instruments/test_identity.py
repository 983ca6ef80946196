"""Who answers at an address: a reply that names nobody is no instrument."""

from __future__ import annotations

import pytest

from runner.bench import find_bench, load_bench
from runner.bench_provider import BenchSetup, open_simulated
from runner.errors import ConnectError
from runner.instruments.open import open_instruments
from runner.profile import find_profile, load_profile
from tests.faults.every_place import rule_at


@pytest.mark.parametrize("kind", ["not a number", "garbage"])
def test_a_reply_without_maker_and_model_is_refused(kind: str) -> None:
    # IEEE 488.2, 10.14: four fields with commas. The fourth question to the meter is who it is;
    # taken for an unknown meter, one that answered 9.91E37 once measured without its accuracy.
    bench, profile = load_bench(find_bench("memory")), load_profile(find_profile("lb-2403"))
    options = {"rude": {"meter": [rule_at(kind, 4)]}}
    opened = open_simulated("memory", BenchSetup(bench, profile, seed=1, options=options))
    with pytest.raises(ConnectError, match="no identity: a maker and a model are expected"):
        open_instruments(bench, opened, opened.clock)

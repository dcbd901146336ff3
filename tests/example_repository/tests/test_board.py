"""What a file of expectations cannot say of the bench's captures."""

from strobewise_cli.pytest_plugin import assert_line, assert_machine_healthy, assert_never, assert_seen

WARM = "../captures/warm.vcd.gz"


def test_two_clips_suffice_to_say_that_it_runs(capture):
    two = capture("../captures/two-clips.vcd.gz")
    assert_machine_healthy(two)
    assert_line(two, "M1", "active")


def test_interrupts_are_taken(capture):
    assert_seen(capture(WARM), "interrupt_acknowledge", least=1)
    assert_never(capture(WARM), "bus_granted")


def test_fetches_take_at_least_four_clocks(capture):
    from strobewise.bus.model import KIND_INDEX

    cycles = capture(WARM).cycles
    fetches = cycles[cycles.kind == KIND_INDEX["opcode_fetch"]]
    assert fetches.t_states[1:-1].min() >= 4

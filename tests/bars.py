"""Which test or command shows each bar of the ledger and of its faults, and which mutation it must catch.

Data only: tests/architecture/test_bars.py holds that every test and mutation that is named here exists;
`python -m tests.mutations` makes the mutations. A command prints its figure; a test holds it. In `make test`
the figures are small sizes of the bars', in `make test-long` the full ones.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """tests: node ids, a file stands for all of it; commands: what prints the figure; mutations: names of
    tests/mutations.py; control: a test that shows that the danger is real without the guard. `gap` says what
    of the bar nothing shows yet."""

    says: str
    tests: tuple[str, ...]
    commands: tuple[str, ...] = ()
    mutations: tuple[str, ...] = ()
    control: str = ""
    gap: str = ""


_CROWD = "tests/concurrency/test_last_shims.py"
_OVER_HTTP = "tests/api/test_over_http.py"
_ORDER = "tests/concurrency/test_lock_order.py"
_RESOLVING = "tests/concurrency/test_resolving.py"
_GUARDS = "tests/inventory/test_ledger_guards.py"
_OUTSIDE = "tests/inventory/test_fit_outside.py"
_WORKER = "tests/shop/test_worker.py"
_LEDGER_BENCH = "python -m tests.bench.bench_ledger"

BARS: dict[str, Bar] = {
    "L1": Bar(
        says="64 after the last 10: 10 get one, 54 are told",
        tests=(
            f"{_OVER_HTTP}::test_sixty_four_after_the_last_ten",
            f"{_CROWD}::test_sixty_four_threads_over_ten_shims",
        ),
        commands=("python -m tests.bench.bench_http", _LEDGER_BENCH),
        mutations=("a promise looks first and writes after", "a promise does not look"),
        control=f"{_CROWD}::test_read_then_write_sells_more_than_there_are",
    ),
    "L2": Bar(
        says="lines sum to zero per family, in the database",
        tests=(
            f"{_GUARDS}::test_a_seal_on_lines_that_do_not_sum_to_zero_is_refused",
            f"{_GUARDS}::test_a_single_line_is_refused",
            f"{_GUARDS}::test_a_movement_without_a_seal_is_refused_at_commit",
            f"{_GUARDS}::test_a_seal_of_five_hundred_lines_takes_under_a_second",
        ),
        mutations=("lines need not balance",),
    ),
    "L3": Bar(
        says="nothing below zero, held never above on hand",
        tests=(f"{_GUARDS}::test_a_balance_stays_within_its_limits",),
        mutations=("more held than there is",),
    ),
    "L4": Bar(
        says="append-only, however it is tried",
        tests=(
            f"{_GUARDS}::test_rows_are_never_changed",
            f"{_GUARDS}::test_an_upsert_is_refused",
            f"{_GUARDS}::test_insert_or_replace_is_refused_whatever_the_connection_has_set",
            f"{_GUARDS}::test_truncate_is_refused",
            f"{_GUARDS}::test_every_trigger_is_there_and_none_is_unknown",
        ),
        mutations=("rows may be deleted",),
    ),
    "L5": Bar(
        says="a reversal happens once",
        tests=(
            f"{_RESOLVING}::test_fifty_movements_each_reversed_by_two",
            "tests/inventory/test_reverse.py::test_a_reversal_may_be_reversed_once_too",
            f"{_GUARDS}::test_a_movement_is_reversed_once_whoever_writes_it",
        ),
        mutations=("a second reversal is not looked for",),
    ),
    "L6": Bar(
        says="a hold resolves at most once",
        tests=(
            f"{_RESOLVING}::test_a_hold_resolves_once",
            f"{_GUARDS}::test_a_hold_that_is_over_stays_as_it_is",
        ),
        mutations=("a hold may resolve again",),
    ),
    "L7": Bar(
        says="expiry is a rule, not a job",
        tests=(
            f"{_OUTSIDE}::test_expired_whether_swept_or_not",
            f"{_OUTSIDE}::test_a_second_before_it_expires",
            "tests/inventory/test_hold.py::test_the_next_one_gets_what_an_overdue_hold_promised",
        ),
        mutations=("an overdue hold is only over once it is swept",),
    ),
    "L8": Bar(
        says="what is not fitted is free again",
        tests=(f"{_OUTSIDE}::test_hold_four_fit_three", f"{_OUTSIDE}::test_hold_four_fit_five"),
        mutations=("what is not fitted stays held",),
    ),
    "L9": Bar(
        says="one key, one effect",
        tests=(
            f"{_OVER_HTTP}::test_sixteen_with_one_key_get_one_answer",
            f"{_OVER_HTTP}::test_keys_repeated_while_workers_are_killed",
            "tests/api/test_two_at_once.py::test_sixteen_at_once_get_one_answer",
            "tests/api/test_every_write.py::TestEveryWrite::test_happens_once",
        ),
        mutations=("a key may come with another body",),
    ),
    "L10": Bar(
        says="a refusal that depends on the state of things sticks to its key",
        tests=("tests/api/test_kept_answers.py::TestSticking",),
        mutations=("not enough does not stick to its key",),
    ),
    "L11": Bar(
        says="key and effect are written together",
        tests=(
            "tests/api/test_kept_answers.py::TestKeeping::test_nothing_is_kept_without_its_effect",
            "tests/api/test_two_at_once.py::test_a_worker_that_dies_leaves_no_key_behind",
            "tests/faults/test_killed_in_a_request.py",
            "tests/faults/test_killed_in_an_act.py::test_wholly_there_or_not_at_all",
        ),
        mutations=("a key is written after its effect",),
    ),
    "L12": Bar(
        says="no lost update",
        tests=(
            "tests/api/test_two_at_once.py::test_two_who_saw_the_same_change_it_once",
            "tests/api/test_two_at_once.py::test_two_who_saw_the_same_bin_change_it_once",
            "tests/api/test_every_write.py::TestEveryWrite::test_refusals_change_nothing_and_do_not_stick",
        ),
        mutations=("what the caller saw does not count",),
    ),
    "L13": Bar(
        says="one order of locks",
        tests=(
            f"{_ORDER}::test_eight_writers_of_many_lines_in_any_order",
            f"{_ORDER}::test_a_busy_day_of_every_act",
        ),
        mutations=("balances are locked as they come",),
        control=f"{_ORDER}::test_without_the_sort_they_wait_for_each_other",
    ),
    "L14": Bar(
        says="the audit finds twelve kinds of damage and names them",
        tests=("tests/inventory/test_audit.py",),
        commands=(_LEDGER_BENCH, "python -m tests.bench.bench_scale"),
        mutations=("the audit trusts balances",),
    ),
    "L15": Bar(
        says="an edited movement is named",
        tests=(
            "tests/inventory/test_audit.py::test_an_edited_movement",
            f"{_ORDER}::test_fifty_writers_leave_one_chain",
        ),
        mutations=("the chain is not hashed anew",),
    ),
    "L16": Bar(
        says="the books equal plain dictionaries, whatever is done",
        tests=(
            "tests/inventory/test_stock_machine.py::test_the_ledger_equals_plain_dictionaries",
            "tests/inventory/test_floor_machine.py::test_the_floor_equals_plain_dictionaries",
        ),
        mutations=("the stock of a past moment lacks that moment's movement",),
    ),
    "L17": Bar(
        says="a simulation under faults",
        tests=(
            "tests/faults/test_simulation.py",
            "tests/faults/test_background_loop.py",
            "tests/faults/test_celery.py",
        ),
        commands=("python -m tests.faults.simulation",),
        mutations=("the simulation's database need not sync",),
    ),
    "L18": Bar(
        says="what should drain and does not is told of",
        tests=("tests/inventory/test_stale.py",),
        mutations=("shims that lie are not told of",),
    ),
    "L19": Bar(
        says="who, when, why",
        tests=(
            "tests/inventory/test_who_when_why.py",
            f"{_GUARDS}::test_a_movement_names_its_actor_and_its_moment",
        ),
        mutations=("a movement forgets its request",),
    ),
    "L20": Bar(
        says="everything is bounded",
        tests=(
            "tests/inventory/test_hold.py::test_a_quantity_out_of_bounds",
            "tests/inventory/test_hold.py::test_too_many_lines_or_none",
            "tests/inventory/test_hold.py::test_open_holds_of_a_job",
            "tests/inventory/test_receive.py::test_as_many_lines_as_a_movement_has_and_one_more",
            f"{_GUARDS}::test_a_lines_quantity_stays_within_bounds",
            "tests/shop/test_write_transactions.py::test_five_more_tries_and_then_the_answer_is_busy",
            "tests/api/test_hostile_input.py::TestSize::test_a_body_of_more_than_a_mebibyte_is_413",
            "tests/api/test_pages_of_lists.py::test_without_a_limit_a_page_has_50_and_never_more_than_200",
        ),
        mutations=("a quantity without a limit",),
    ),
    "F8": Bar(
        says="the last item: as L1", tests=(_CROWD, _OVER_HTTP), mutations=("a promise does not look",)
    ),
    "F9": Bar(
        says="killed at every statement of every act (each fifth by default, others on the other database)",
        tests=(
            "tests/faults/test_killed_in_a_request.py",
            "tests/faults/test_killed_in_an_act.py",
            "tests/faults/test_killed_in_a_floor_act.py",
            "tests/faults/test_killed_in_a_table.py",
        ),
        mutations=("an act without its transaction",),
        control="tests/faults/test_killed_in_an_act.py::test_an_act_of_two_transactions_would_show",
    ),
    "F10": Bar(
        says="half of a delivery or of a table is nothing; two tablets book it once",
        tests=(
            f"{_RESOLVING}::test_one_delivery_keyed_in_by_two_is_booked_once",
            f"{_RESOLVING}::test_one_part_of_a_delivery_keyed_in_by_two_is_booked_once",
            "tests/faults/test_killed_in_a_long_delivery.py::test_half_of_a_delivery_is_nothing",
            "tests/faults/test_killed_in_a_table.py::test_a_table_is_wholly_there_or_not_at_all",
        ),
        mutations=(
            "a delivery of many lines without its transaction",
            "a table is applied in two transactions",
        ),
    ),
    "F13": Bar(
        says="a power cut loses nothing that was acknowledged",
        tests=(
            "tests/faults/test_power_cut.py::test_nothing_is_lost_with_the_settings_that_ship",
            "tests/shop/test_sqlite_writers.py::test_the_live_connection_has_the_settings_that_lost_nothing",
        ),
        mutations=("SQLite need not sync",),
        control="tests/faults/test_power_cut.py::test_what_most_guides_advise_loses_acknowledged_acts",
    ),
    "F18": Bar(
        says="a restart fails nobody, and a worker is held up by no client and no neighbour",
        tests=(
            f"{_OVER_HTTP}::test_restarts_while_programs_write_fail_nobody",
            f"{_WORKER}::test_a_restart_fails_nobody",
            f"{_WORKER}::test_whoever_came_before_the_end_is_answered",
            f"{_WORKER}::test_an_end_does_not_wait_for_those_who_stay",
            f"{_WORKER}::test_nobody_waits_for_those_who_stay_on_the_line",
            f"{_WORKER}::test_who_can_work_takes_the_next",
            f"{_WORKER}::test_who_stops_in_the_middle_of_a_head_does_not_stop_others",
        ),
        mutations=(
            "who stays on the line is waited for",
            "a busy worker takes the next",
            "a worker that ends leaves out who waits",
        ),
    ),
    "F20": Bar(
        says="writers on SQLite take turns",
        tests=(
            f"{_OVER_HTTP}::test_eight_write_and_eight_read_side_by_side",
            "tests/shop/test_sqlite_writers.py::test_threads_of_several_processes_write_in_turn",
        ),
        commands=("python -m tests.bench.bench_http", _LEDGER_BENCH),
        mutations=("SQLite's writers do not queue",),
        control="tests/shop/test_sqlite_writers.py::"
        "test_without_the_lock_and_immediate_transactions_the_same_writers_fail",
    ),
    "S6": Bar(
        says="tables: 50,000 rows under 30 s, others wait at most 2 s, whole or not at all",
        tests=(
            "tests/inventory/test_imports.py",
            "tests/spreadsheets/test_spreadsheets.py",
            "tests/flows/test_tables_round_trip.py",
        ),
        commands=("python -m tests.bench.bench_import",),
        mutations=("a table does not look at the books again",),
    ),
}

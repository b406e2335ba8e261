"""Every fault ever found, and the tests that fail where it comes back.

What damaged inputs brought to light is in ``CASES`` as well: each is read again, as it was.
"""

import ast
from pathlib import Path

import pytest
from tests import fuzz

ROOT = Path(__file__).resolve().parents[2]

FOUND = {
    "modules beside the data are executed by workers and readers": (
        "unit/test_processes.py::test_children_run_nothing_of_the_current_folder",
        "unit/test_processes.py::test_the_command_line_as_a_module_runs_nothing_of_the_current_folder",
    ),
    "a reader that cannot start is called a damaged file": (
        "unit/test_processes.py::test_a_process_that_cannot_start_is_an_error",
        "unit/test_processes.py::test_a_process_that_ends_while_starting_is_an_error",
    ),
    "all is computed and then lost on another disk, behind a link or in a protected folder": (
        "unit/test_run_folder.py::test_a_linked_folder_and_another_disk_serve",
        "cli/test_commands.py::test_a_place_that_cannot_hold_results_is_refused_before_solving",
    ),
    "a command deletes the results of another": (
        "cli/test_commands.py::test_a_folder_of_another_command_is_refused_by_name",
        "unit/test_run_folder.py::test_what_is_not_written_again_goes_unless_it_was_changed_or_is_anothers",
    ),
    "two runs in one folder mix their results": (
        "unit/test_run_folder.py::test_a_second_run_is_kept_out_and_told_by_whom",
        "properties/test_kills.py::test_a_run_ended_at_some_moment_is_made_whole_by_the_next",
    ),
    "--no-figures deletes figures": (
        "cli/test_commands.py::test_figures_stay_with_the_tables_they_belong_to_and_with_no_others",
    ),
    "temporary folders stay after a kill": (
        "properties/test_kills.py::test_what_a_disturbed_run_left_is_seen",
        "unit/test_run_folder.py::test_a_killed_run_leaves_an_account_of_all_that_it_wrote",
    ),
    "frames without proof within the glenoid's limit": (
        "unit/test_sharing_limits.py::test_presses_of_an_ordinary_person_are_certified_within_the_glenoid",
        "unit/test_sharing_limits.py::test_the_price_of_a_shortfall_bounds_what_forces_in_the_cone_can_reach",
    ),
    "a folder takes the place of the shipped model": (
        "unit/test_model_load.py::test_a_folder_does_not_take_the_place_of_a_shipped_model",
    ),
    "a read-only installation cannot compile": (
        "unit/test_sharing_limits.py::test_a_read_only_installation_still_compiles",
        "unit/test_cli_folder.py::test_libraries_lay_aside_in_the_folder_where_nothing_else_can_be_written_to",
    ),
    "compiled code beside the data is loaded where nothing else can be written to": (
        "unit/test_cli_folder.py::test_the_current_folder_is_none_for_temporary_files_and_gives_no_compiled_code",
    ),
    "a kernel runs in place of another of its source that another process compiled": (
        "unit/test_kernels_kept.py::test_kernels_of_one_source_compiled_in_two_processes_stay_apart",
        "unit/test_kernels_kept.py::test_every_kernel_of_one_source_has_a_name_of_its_own",
    ),
    "a choice of free values is certified that is not of least effort": (
        "unit/test_sharing_bounded.py::test_values_across_a_shortfall_take_what_costs_nothing",
        "unit/test_sharing_bounded.py::test_a_value_that_others_could_better_is_not_certified",
    ),
    "declared lowest versions are not true": (
        "packaging/test_dependencies.py::test_lowest_versions_are_not_above_what_runs_here",
    ),
    "one condition ends the study": (
        "unit/test_study_run.py::test_a_press_that_leaves_the_hand_does_not_end_the_study",
    ),
    "one draw ends an uncertainty run": (
        "cli/test_uncertainty.py::test_a_draw_that_cannot_be_costs_the_draw_and_not_the_run",
        "unit/test_uncertainty_draws.py::test_an_exercise_that_cannot_be_drawn_costs_its_draw_alone",
    ),
    "memory of many frames": (
        "unit/test_shelf.py::test_what_is_kept_takes_no_memory_until_it_is_read",
        "unit/test_shelf.py::test_blocks_of_a_csv_give_the_bytes_of_the_whole",
    ),
    "a pipe or an endless device is read for ever": (
        "unit/test_inputs.py::test_every_reader_refuses_a_pipe_without_waiting",
        "unit/test_inputs.py::test_every_reader_refuses_a_device",
        "unit/test_inputs.py::test_a_file_that_grows_for_ever_ends_at_the_limit",
    ),
    "a megabyte of malformed BibTeX hangs, an entry whose brace is not on its own line is lost": (
        "unit/test_sources.py::test_a_megabyte_of_anything_ends_within_a_second",
        "unit/test_sources.py::test_the_layout_of_an_entry_does_not_matter",
    ),
    "--draws without an upper bound": (
        "cli/test_uncertainty.py::test_wrong_input_is_one_message_with_code_2",
    ),
    "a very long CSV cell is a traceback": (
        "unit/test_inputs.py::test_an_endless_cell_is_a_clear_fault",
        "unit/test_inputs.py::test_an_endless_cell_in_a_model_is_a_fault_of_its_file",
    ),
    "tracebacks of files that are none": (
        "unit/test_inputs.py::test_every_reader_refuses_a_folder",
        "unit/test_inputs.py::test_a_link_to_nowhere",
        "unit/test_inputs.py::test_names_that_are_no_text_are_refused_before_anything_is_done",
    ),
    "passive_force = 0 reads as false": (
        "unit/test_study_load.py::test_a_switch_is_true_or_false_and_nothing_else",
    ),
    "a megabyte of a TOML key takes hours": (
        "unit/test_inputs.py::test_a_key_of_very_many_parts_is_refused_before_it_is_read",
    ),
    "an integer of thousands of digits is a traceback": (
        "unit/test_inputs.py::test_an_integer_beyond_what_toml_has_is_refused",
    ),
    "tens of thousands of faults take long to say": (
        "unit/test_inputs.py::test_very_many_faults_are_counted_and_not_all_described",
    ),
    "megabytes of empty lines take long": (
        "unit/test_inputs.py::test_very_many_lines_are_refused_before_they_are_read",
    ),
    "messages of a megabyte": ("unit/test_inputs.py::test_messages_are_never_endless",),
    "links inside a run folder lead elsewhere": (
        "unit/test_run_folder.py::test_links_inside_are_refused_and_what_they_lead_to_is_left",
        "unit/test_run_folder.py::test_a_link_in_place_of_a_lock_is_not_followed",
    ),
    "an account names files outside its folder": (
        "properties/test_fuzz.py::test_a_manifest_cannot_lead_out_of_its_folder",
    ),
    "escape sequences reach the terminal": (
        "unit/test_text.py::test_nothing_that_steers_reaches_a_terminal",
        "unit/test_text.py::test_no_table_and_no_progress_of_a_console_steers_a_terminal",
        "unit/test_inputs.py::test_the_command_line_shows_no_control_characters",
    ),
    "a cell is a formula of a spreadsheet": (
        "unit/test_text.py::test_a_name_that_looks_like_a_formula_is_text_in_a_table",
    ),
    "a user's matplotlibrc changes figures": (
        "unit/test_text.py::test_settings_of_the_user_do_not_change_figures",
    ),
    "tables go to a home or an address that the name of a folder looks like": (
        "unit/test_run_folder.py::test_the_name_of_a_folder_is_neither_a_home_nor_an_address",
    ),
    "files that a command gives replace those of the user or go through a link": (
        "unit/test_given_files.py::test_the_invented_laboratory_replaces_no_study",
        "unit/test_given_files.py::test_a_command_that_gives_files_refuses_what_is_in_the_way",
    ),
    "the terminal of a study of thousands of conditions has thousands of illegible lines": (
        "report/test_printed_study.py::test_of_very_many_conditions_the_first_are_printed_and_the_rest_counted",
        "report/test_drawn_study.py::test_of_very_many_conditions_the_first_are_drawn_and_every_figure_says_so",
    ),
    "an order turns with the person where there is one": (
        "report/test_verdicts.py::test_no_order_turns_with_people_where_there_is_one",
    ),
    "tables of a run are lost where the system does not encode names as UTF-8": (
        "unit/test_run_folder.py::test_a_folder_whose_name_the_system_does_not_encode_as_utf_8_serves",
    ),
    "the path of a study in a manifest holds a name": (
        "cli/test_pseudonyms.py::test_no_byte_of_a_cohort_holds_a_name",
    ),
    "a worker that died reads as nothing to report": (
        "unit/test_upper_arms.py::test_a_process_that_died_is_no_person_without_an_upper_arm",
    ),
    "a Python that cannot run is reported as tried": (
        "packaging/test_dependencies.py::test_a_python_counts_as_here_only_where_it_runs",
    ),
    "explore replaces a page that it did not write": (
        "unit/test_lone_file.py::test_what_has_not_the_mark_of_the_command_is_never_replaced",
        "unit/test_explore_bundle.py::test_the_command_writes_one_file_and_names_what_is_wrong",
    ),
    "a pipe in place of a file that a model may leave out reads as none": (
        "unit/test_targets.py::test_what_a_model_may_leave_out_is_no_pipe_where_it_is_there",
    ),
    "a Parquet file of less than a megabyte fills memory": (
        "properties/test_trial_hostile.py::test_a_small_parquet_that_promises_many_rows",
    ),
    "a link in place of the folder of figures shows after all is computed": (
        "unit/test_run_folder.py::test_what_is_in_the_way_of_a_folder_shows_before_anything_is_done",
    ),
    "escape sequences reach a table": (
        "unit/test_text.py::test_no_table_steers_a_terminal_that_it_is_shown_on",
    ),
    "patterns of files are tracebacks or take for ever": (
        "unit/test_cohort_patterns.py::test_a_pattern_that_cannot_be_is_a_fault",
        "unit/test_cohort_patterns.py::test_a_pattern_of_very_many_ways_ends",
        "unit/test_cohort_patterns.py::test_looking_for_files_ends_whatever_the_name",
        "unit/test_cohort_patterns.py::test_links_that_lead_round_do_not_keep_a_search",
    ),
    "layouts based on each other, or keys within keys, without end are tracebacks": (
        "unit/test_cohort_expand.py::test_layouts_based_on_each_other_without_end_are_a_fault",
        "unit/test_cohort_expand.py::test_tables_within_tables_without_end_are_a_fault",
    ),
    "a damaged manifest or journal costs all that was solved": (
        "unit/test_run_folder.py::test_an_account_that_is_damaged_is_restored_from_the_other_one",
        "unit/test_run_folder.py::test_a_journal_that_is_damaged_is_taken_over_from_its_copy",
    ),
    "cells of a table of people or trials are tracebacks or read otherwise than written": (
        "unit/test_cohort_rows.py::test_a_cell_that_python_would_read_otherwise_is_a_fault",
    ),
    "what limits the load changes with the version of a library": (
        "golden/test_golden.py::test_numbers_stay",
    ),
}
"""Fault → the tests that keep it away, below ``tests``."""


@pytest.mark.parametrize("fault", FOUND)
def test_a_fault_has_a_test_that_there_is(fault):
    for place in FOUND[fault]:
        file, name = place.split("::")
        tree = ast.parse((ROOT / "tests" / file).read_text("utf-8"))
        names = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        assert name in names, place


CASES = {
    "a CSV cell above 131,072 characters": ("CSV", b"t,IJ_x\n" + b"9" * 140_000 + b",1\n"),
    "a model cell above 131,072 characters": ("model", b"quantity,value\n" + b"x" * 140_000),
    "a BibTeX file of open braces": ("bibliography", b"@article{" * 50_000),
    "a study of nested lists": ("study", b"a = " + b"[" * 5_000),
    "a study of a key of 400,000 parts": ("study", b".".join([b"a"] * 400_000) + b" = 1\n"),
    "a study of an integer of 20,000 bits": ("study", b"title = 0x" + b"f" * 5_000),
    "a model of a key of 400,000 parts": ("model", b".".join([b"a"] * 400_000) + b" = 1\n"),
    "moments of millions of empty lines": (
        "moments",
        b"condition,row,moment_nm\n" + b"\n" * 15_900_000,
    ),
    "a table of people with a cell above 131,072 characters, after a semicolon": (
        "study in small files",
        b"name;sex\n" + b"x" * 140_000 + b";female\n",
    ),
    "a study that is one word": ("study", b"x" * 3_000),
    "a Parquet file that is only its sign": ("Parquet", b"PAR1PAR1"),
    "a C3D file that is only its sign": ("C3D", b"\x02P"),
    "a table with a huge number": ("published table", b"condition,point,n\nwide,chest,1e400\n"),
    "moments without rows": ("moments", b"condition,row,moment_nm\n"),
}
"""Inputs that once gave a traceback, hung or were read as if sound."""


@pytest.mark.parametrize("name", CASES)
def test_a_found_input_is_refused(name, tmp_path, monkeypatch):
    kind, raw = CASES[name]
    first = fuzz.KINDS[kind].seeds()[0][0]
    named = {"model": "model_quantities.csv", "study in small files": "small_people.csv"}
    named["a model of a key of 400,000 parts"] = "model_limb.toml"
    file = named.get(name) or named.get(kind, first)
    monkeypatch.setitem(fuzz.KINDS, kind, fuzz.Kind(lambda: [(file, raw)], fuzz.KINDS[kind].read))
    assert fuzz.outcome(kind, tmp_path, 0, [])[0] == "refused"


def test_nothing_forks():
    """Workers are started, not forked, so that they are the same on every platform."""
    for path in (ROOT / "src").rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        names = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
        modules = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        modules |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
        assert not names & {"fork", "forkpty", "preexec_fn"}, path
        system = {"fcntl", "resource", "pwd", "grp", "termios", "multiprocessing"}
        assert not modules & system, path

"""What all tests share: which of them are slow."""

from __future__ import annotations

import pytest

#: Files whose fixtures take seconds, and single tests that do: together most of the time that all tests take.
SLOW_FILES = (
    "tests/bench/test_accuracy.py",
    "tests/bench/test_accuracy_ghosts.py",
    "tests/bench/test_performance.py",
    "tests/bundle/test_many_photos.py",
    "tests/bundle/test_photo_set.py",
    "tests/calibration/test_job.py",
    "tests/checking/test_flatness_map.py",
    "tests/checking/test_picture.py",
    "tests/checking/test_sample_sets.py",
    "tests/cli/test_plan.py",
    "tests/planning/test_pictures.py",
    "tests/records/test_job.py",
    "tests/records/test_page.py",
    "tests/solve/test_joint.py",
)
SLOW_TESTS = (
    "tests/bundle/test_edited_pictures.py::test_a_picture_whose_perspective_was_changed",
    "tests/bundle/test_edited_pictures.py::test_a_whole_picture_without_exif_is_still_answered",
    "tests/bundle/test_moved.py::test_a_camera_that_stood_still_hides_no_mirror_that_moved",
    "tests/bundle/test_moved.py::test_a_set_from_a_lens_that_its_files_do_not_name_is_answered",
    "tests/bundle/test_moved.py::test_before_and_after_are_not_averaged",
    "tests/bundle/test_moved.py::test_photos_of_one_state_are_not_told_apart_by_chance",
    "tests/bundle/test_turned.py::test_the_interval_narrows_and_holds",
    "tests/cli/test_check_shape.py::test_a_map_comes_as_json_and_as_a_picture",
    "tests/cli/test_check_slips.py::test_the_table_stands_below_the_answers",
    "tests/cli/test_glass.py::test_progress_names_the_photos",
    "tests/cli/test_hard_use.py::test_a_mirrored_and_slanted_photo_is_refused",
    "tests/cli/test_hard_use.py::test_a_mirrored_photo_is_refused_where_the_sheet_is_close_to_the_glass",
    "tests/cli/test_hard_use.py::test_a_slanted_picture_of_an_ordinary_shape_is_noticed",
    "tests/cli/test_hard_use.py::test_a_stretched_picture_gets_wide_intervals_and_is_named",
    "tests/cli/test_main.py::test_each_answers_in_order_and_exits_with_the_worst",
    "tests/cli/test_main.py::test_interrupt_keeps_what_was_answered",
    "tests/cli/test_main.py::test_leaning_mirror_exits_3",
    "tests/cli/test_main.py::test_pictures_are_numbered_for_several_photos",
    "tests/cli/test_main.py::test_undetermined_exits_1_with_its_numbers",
    "tests/cli/test_main.py::test_what_does_not_belong_together_says_why",
    "tests/ghosts/test_ghost_photos.py::test_ghost_pairs_without_the_plane",
    "tests/ghosts/test_ghost_photos.py::test_traced_glass_is_measured",
    "tests/ghosts/test_ghost_photos.py::test_without_the_sheet_the_answer_says_how_far_it_goes",
    "tests/photo/test_file.py::test_answer_picture_and_record_come_from_one_reading",
    "tests/photo/test_phone_files.py::test_a_panorama_that_nothing_gives_away_is_answered_with_its_uncertainty",
    "tests/photo/test_phone_files.py::test_a_photo_of_200_megapixels_says_that_it_was_halved",
    "tests/photo/test_phone_files.py::test_digital_zoom_that_the_file_does_not_tell_is_noticed",
    "tests/photo/test_phone_files.py::test_the_answer_holds_the_truth",
    "tests/photo/test_read.py::test_damage_is_answered_or_refused_but_never_a_crash",
    "tests/photo/test_torn.py::test_a_jpeg_with_flipped_bits_that_the_decoder_takes_is_refused",
    "tests/planning/test_opening.py::test_intervals_hold_the_truth_as_often_as_they_say",
    "tests/planning/test_opening.py::test_pane_lies_inside_with_its_clearance_and_nothing_larger_does",
    "tests/planning/test_opening.py::test_the_culprit_is_named_in_nearly_all_of_many_nearly_square_openings",
    "tests/planning/test_round_trip.py::test_planned_rendered_checked_and_planned_again",
    "tests/planning/test_screens.py::test_no_cure_puts_the_glass_into_a_room_kept_clear",
    "tests/planning/test_screens.py::test_the_example_keeps_its_screens_off_the_tram",
    "tests/planning/test_screens.py::test_where_no_place_is_left_the_plan_says_which_room_would_have_to_end_where",
    "tests/planning/test_several_mirrors.py::test_many_hide_wishes_take_no_more_than_two_seconds_each",
    "tests/planning/test_several_mirrors.py::test_printed_cures_of_random_scenes_hold",
    "tests/planning/test_several_mirrors.py::test_ten_thousand_eyes_three_mirrors_twenty_things_ten_blockers_in_four_seconds",
    "tests/planning/test_several_mirrors.py::test_the_whole_plan_of_two_mirrors_in_words_and_json",
    "tests/planning/test_sightlines_traced.py::test_masks_agree_with_traced_rays_on_200_random_scenes",
    "tests/planning/test_viewing.py::test_no_cure_puts_a_named_thing_behind_the_glass",
    "tests/planning/test_viewing.py::test_ten_thousand_eyes_twenty_things_ten_blockers_in_two_seconds",
    "tests/records/test_entry.py::test_killed_at_twenty_moments_earlier_entries_stay_whole",
    "tests/rendering/test_rendering.py::test_ghosts_lie_and_shine_as_the_slab_says",
    "tests/rendering/test_rendering.py::test_in_a_bent_mirror_a_lamp_is_where_its_optical_path_is_stationary",
    "tests/sighting/test_known_length.py::test_a_card_askew_is_refused",
    "tests/sighting/test_known_length.py::test_the_scale_of_a_print_is_read",
    "tests/test_same_answer.py::test_the_order_of_photos_changes_nothing",
    "tests/workbench/test_change.py::test_a_mirror_that_stood_still_is_rarely_said_to_have_moved",
    "tests/workbench/test_change.py::test_a_move_is_noticed_and_measured",
    "tests/workbench/test_hostile.py::test_a_hundred_hostile_requests",
    "tests/workbench/test_kill.py::test_nothing_acknowledged_is_lost",
    "tests/workbench/test_live_stand.py::test_noise_alone_is_no_move",
    "tests/workbench/test_page.py::test_the_accessibility_checker_finds_nothing",
    "tests/workbench/test_page.py::test_the_packing_is_read",
    "tests/workbench/test_session.py::test_a_photo_of_another_camera_is_compared_but_not_joined",
    "tests/workbench/test_session.py::test_photos_of_one_stand_are_solved_together",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is slow, besides what says so itself."""
    for item in items:
        if item.nodeid.startswith((*SLOW_FILES, *SLOW_TESTS)):
            item.add_marker(pytest.mark.slow)

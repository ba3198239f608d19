"""One age a fish: which bone it comes from, when there is none, and what still sends it to a person."""

from __future__ import annotations

from pipeline.records import Age, FinalAge, Specimen
from pipeline.together.fish_ages import AgedFish, FishAge, fish_age


def bone(
    side: str,
    ages: dict[int, float],
    *,
    people: int | None = None,
    settled: bool = False,
    differ: bool = False,
    reasons: tuple[str, ...] = (),
    fish: str = "F1",
) -> AgedFish:
    best = max(ages, key=lambda a: ages[a]) if ages else None
    age = Age(
        specimen=f"{fish}{side}",
        status="aged" if ages else "unreadable",
        annuli=best,
        age_class=best,
        age_class_probability=None if best is None else ages[best],
        age_probabilities=tuple(sorted(ages.items())),
        reasons=reasons,
    )
    if differ:
        final = FinalAge(differ=True)
    elif people is not None:
        final = FinalAge(annuli=people, age_class=people, counted_by="Ann", settled=settled)
    else:
        final = FinalAge(annuli=best, age_class=best, counted_by="machine" if ages else "")
    specimen = Specimen(specimen=age.specimen, scan="a.png", fish=fish, side=side)
    return AgedFish(specimen=specimen, age=age, final=final)


def only(*bones: AgedFish) -> FishAge:
    return fish_age(bones)


def test_a_fish_of_one_bone_has_its_age():
    fish = only(bone("L", {5: 0.9, 6: 0.1}))
    assert (fish.age_class, fish.probability, fish.reasons) == (5, 0.9, ())


def test_of_two_bones_the_surer_one_is_taken_where_the_other_allows_its_age():
    fish = only(bone("L", {5: 0.5, 6: 0.45, 7: 0.05}), bone("R", {6: 0.97, 7: 0.03}))
    assert (fish.age_class, fish.probability) == (6, 0.97)
    assert fish.chosen is not None
    assert fish.chosen.specimen.side == "R"
    assert fish.reasons == ()


def test_where_the_other_bone_does_not_allow_it_the_fish_has_no_age():
    fish = only(bone("L", {5: 0.95, 6: 0.05}), bone("R", {6: 0.97, 7: 0.03}))
    assert (fish.age_class, fish.probability, fish.reasons) == (None, None, ("sides-differ",))


def test_people_go_before_the_machine_and_their_probability_is_not_known():
    fish = only(bone("L", {5: 0.95, 6: 0.05}, people=6, reasons=("damaged",)), bone("R", {5: 0.99, 6: 0.01}))
    assert (fish.age_class, fish.probability, fish.reasons) == (6, None, ())


def test_two_bones_counted_differently_by_people_leave_the_fish_without_an_age_until_one_is_settled():
    left, right = bone("L", {5: 1.0}, people=5), bone("R", {5: 1.0}, people=6)
    assert (only(left, right).age_class, only(left, right).reasons) == (None, ("sides-differ",))
    settled = bone("R", {5: 1.0}, people=6, settled=True)
    assert (only(left, settled).age_class, only(left, settled).reasons) == (6, ())


def test_where_readers_of_its_only_read_bone_differ_the_machine_does_not_step_in():
    fish = only(bone("L", {5: 0.99}, differ=True, reasons=("readers-differ",)), bone("R", {5: 0.99}))
    assert (fish.age_class, fish.reasons) == (None, ("readers-differ",))
    other = only(bone("L", {5: 0.99}, differ=True, reasons=("readers-differ",)), bone("R", {5: 0.99}, people=5))
    assert (other.age_class, other.reasons) == (5, ())


def test_an_unreadable_bone_beside_a_good_one_leaves_the_fish_its_age_and_says_why_to_look():
    fish = only(bone("L", {}, reasons=("missing-bone", "tray-mismatch")), bone("R", {4: 0.9, 5: 0.1}))
    assert (fish.age_class, fish.reasons) == (4, ("missing-bone", "tray-mismatch"))


def test_no_count_answers_whose_bone_it_is_but_a_reading_that_settles_does():
    odd = ("low-confidence", "tray-mismatch", "size-mismatch")
    assert only(bone("L", {5: 0.6}, people=5, reasons=odd)).reasons == ("tray-mismatch", "size-mismatch")
    assert only(bone("L", {5: 0.6}, people=5, settled=True, reasons=odd)).reasons == ()


def test_a_bone_without_a_date_gives_no_age_class():
    assert only(bone("L", {})).age_class is None

"""How the parts of the invented house stand to each other, by hand from its site file."""

import pytest

from analytics.detection import relations
from tests.plants import house


@pytest.mark.parametrize(
    ("relation", "component", "others"),
    [
        (relations.itself, "collector", {"collector"}),
        (relations.loops_of_tank, "solar", {"collector"}),
        (relations.loops_of_tank, "preheat", {"desuperheater"}),
        (relations.heaters_of_tank, "collector", {"element"}),
        (relations.heaters_of_tank, "desuperheater", set()),
        (relations.loops_of_heat_pump, "hp", {"ground", "desuperheater"}),
        (relations.loop_of_stage, "sun", {"collector"}),
        (relations.loop_of_stage, "backup", set()),
        (relations.parts_of_other_stages, "sun", {"desuperheater", "element"}),
        (relations.parts_of_other_stages, "ground", {"collector", "element"}),
        (relations.pump_of_stage, "ground", {"hp"}),
        (relations.pump_of_stage, "sun", set()),
        (relations.loops_of_stage, "ground", {"ground", "desuperheater"}),
        (relations.backups_beside, "ground", {"element"}),
        (relations.backups_beside, "sun", set()),
        (relations.meters_of_standing_in, "ground", {"hp.power", "element.power"}),
        (relations.meters_of_standing_in, "sun", set()),
        (relations.parts_before, "element", {"sun", "collector", "solar.top"}),
        (relations.parts_before, "sun", set()),
        (relations.path, "solar", {"hot_water"}),
        (relations.tanks_of_path, "hot_water", {"preheat", "solar"}),
        (relations.tanks_of_path, "solar", set()),
    ],
)
def test_a_relation_leads_to_the_parts_that_the_site_file_joins(
    relation: relations.Relation, component: str, others: set[str]
) -> None:
    assert set(relation(house(), component)) == others

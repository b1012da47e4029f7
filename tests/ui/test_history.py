"""What was, on pages and as files: histories, past stock, journeys, what lies too long."""

from io import BytesIO

import pytest
import time_machine

from inventory.models import Balance, Movement, MovementLine, Place, PlaceKind
from inventory.selectors.history import history, history_rows
from inventory.services.floor import Shims, move_shims, receive_shims
from inventory.spreadsheets.reading import read_rows
from tests.jobs.shop import AT, HOUR, NEW, mm
from tests.ui.pages import text_of, wrong_fields

FORMULA = '=HYPERLINK("http://evil.example","note")'


def table(response):
    """The rows of a file, header first, as the reader of tables reads them."""
    content = b"".join(response) if response.streaming else response.content
    name = response["Content-Disposition"].split('"')[1]
    return content, [list(row.cells) for row in read_rows(BytesIO(content), name)]


@pytest.fixture
def evil(shop, clerk):
    """A delivery whose papers a spreadsheet would take for a formula."""
    return receive_shims(
        site=shop.site,
        actor=clerk,
        at=AT,
        shims=[Shims(family=shop.workshop.family, thickness_nm=mm("2.600").nm, condition=NEW, quantity=3)],
        document=FORMULA,
        note="-1+1",
    )


class TestHistory:
    def test_every_filter(self, office, shop, counter):
        site = shop.site
        place = shop.workshop.bin("2.550")

        def count(**query):
            page = office.get("history", **query)
            assert page.status_code == 200
            return page.context["lines"].paginator.count

        every = history(site).count()
        assert count() == every
        assert count(place=place.pk) == MovementLine.objects.filter(place=place).count()
        assert count(family="disc29") == every
        assert count(reason="fit") == MovementLine.objects.filter(movement__reason="fit").count() > 0
        mine = MovementLine.objects.filter(movement__user=counter).count()
        assert count(person=counter.pk) == mine > 0
        assert count(document=str(shop.jobs["fitted"])) > 0
        assert count(thickness="2.550") == MovementLine.objects.filter(thickness_nm=2_550_000).count() > 0
        assert count(since="2026-03-02", until="2026-03-02") == every
        assert count(since="2026-03-03") == count(until="2026-03-01") == 0

    @pytest.mark.parametrize(
        "query", [{"since": "soon"}, {"thickness": "thick"}, {"reason": "none"}, {"until": "9999-12-31"}]
    )
    def test_what_makes_no_sense_is_said_at_its_field(self, office, shop, query):
        page = office.get("history", **query)
        assert page.status_code == 400
        assert wrong_fields(page) == list(query)
        assert office.get("history_file", "csv", **query).status_code == 400

    def test_another_sites_people_and_places_are_no_filter(self, office, shop, outsider, other_site):
        place = Place.objects.filter(site=other_site).first()
        assert wrong_fields(office.get("history", person=outsider.pk)) == ["person"]
        assert wrong_fields(office.get("history", place=place.pk)) == ["place"]

    @pytest.mark.parametrize("ending", ["csv", "xlsx"])
    def test_a_file_comes_back_as_it_is_in_the_books(self, office, shop, evil, ending):
        content, (header, *rows) = table(office.get("history_file", ending))
        assert header[:3] == ["movement", "when", "act"]
        expected = [
            [
                str(row.seq), row.at.isoformat(), row.reason, row.actor, row.place, row.family, row.thickness,
                row.condition, str(row.quantity), row.job_id, row.document, row.note,
            ]
            for row in history_rows(history(shop.site))
        ]  # fmt: skip
        assert [row[:12] for row in rows] == expected
        assert [FORMULA, "-1+1"] in [row[10:12] for row in rows]
        if ending == "csv":
            text = content.decode()
            assert "\"'=HYPERLINK(" in text
            assert ',"=HYPERLINK(' not in text

    def test_a_file_has_what_the_page_was_asked_for(self, office, shop):
        _, rows = table(office.get("history_file", "csv", reason="fit"))
        assert {row[2] for row in rows[1:]} == {"fit"}

    def test_another_ending_is_no_file(self, office, shop):
        assert office.get("history_file", "pdf").status_code == 404


class TestStories:
    def test_of_a_bin_size_job_and_person(self, office, shop, counter, workshop):
        place = workshop.bin("2.550")
        for name, args, said in (
            ("story", ("bin", place.pk), "opening count"),
            ("story", ("size", "disc29-2550000"), "2.550 mm"),
            ("story", ("person", counter.pk), "note 7"),
            ("job_history", (shop.jobs["fitted"].pk,), "Hold fitted"),
        ):
            page = office.get(name, *args)
            assert page.status_code == 200
            assert said in text_of(page) or said.lower() in text_of(page).lower(), args
            file = f"{name}_file"
            _, rows = table(office.get(file, *args, "csv"))
            assert len(rows) - 1 == len(page.context["happenings"])

    def test_one_kind_and_some_days_only(self, office, shop):
        job = shop.jobs["fitted"].pk
        page = office.get("job_history", job, kind="hold")
        assert {entry.kind for entry in page.context["happenings"]} == {"hold"}
        assert office.get("job_history", job, since="2026-03-03").context["happenings"] == []
        _, rows = table(office.get("job_history_file", job, "csv", kind="hold"))
        assert len(rows) - 1 == len(page.context["happenings"])

    def test_page_by_page_it_is_the_whole(self, office, shop, clerk, workshop):
        place, other = workshop.bin("2.500"), workshop.bin("2.550")
        for _ in range(25):
            for source, target in ((place, other), (other, place)):
                shims = Shims(
                    family=workshop.family,
                    thickness_nm=mm("2.500").nm,
                    condition=NEW,
                    quantity=1,
                    place=target,
                )
                move_shims(site=shop.site, actor=clerk, at=AT, source=source, shims=[shims])
        first = office.get("story", "bin", place.pk)
        second = office.get("story", "bin", place.pk, page=2)
        found = [*first.context["happenings"], *second.context["happenings"]]
        assert len(first.context["happenings"]) == 40
        assert second.context["further"] is None
        _, rows = table(office.get("story_file", "bin", place.pk, "xlsx"))
        assert [row[3] for row in rows[1:]] == [entry.text for entry in found]

    @pytest.mark.parametrize(
        ("of", "key"),
        [
            ("bin", "0190b0a0-0000-7000-8000-000000000000"),
            ("bin", "x"),
            ("size", "disc29-2551000"),
            ("size", "disc29"),
            ("size", "none-2550000"),
            ("person", "0190b0a0-0000-7000-8000-000000000000"),
            ("engine", "x"),
        ],
    )
    def test_what_there_is_not(self, office, shop, of, key):
        assert office.get("story", of, key).status_code == 404
        assert office.get("story_file", of, key, "csv").status_code == 404

    def test_a_stranger_has_no_story_here(self, office, shop, outsider):
        assert office.get("story", "person", outsider.pk).status_code == 404


class TestStockThen:
    @pytest.fixture
    def model(self, shop, clerk, workshop):
        """A replay in a plain dictionary: at each hour, what every place inside held."""
        place, target = workshop.bin("2.500"), workshop.bin("2.600")
        looks = []
        for number in range(1, 4):
            shims = Shims(
                family=workshop.family, thickness_nm=mm("2.500").nm, condition=NEW, quantity=1, place=target
            )
            at = AT + number * HOUR / 10
            move_shims(site=shop.site, actor=clerk, at=at, source=place, shims=[shims])
            held = {}
            for line in MovementLine.objects.select_related("place").filter(movement__at__lte=at):
                if line.place.kind not in PlaceKind.outside():
                    key = (line.place.code, mm_of(line), line.condition)
                    held[key] = held.get(key, 0) + line.quantity
            looks.append((at, {key: count for key, count in held.items() if count}))
        return looks

    def test_it_is_what_the_replay_says(self, office, shop, model):
        for at, held in model:
            asked = f"{at:%Y-%m-%dT%H:%M}"
            page = office.get("stock_then", at=asked)
            assert page.context["in_all"] == sum(held.values())
            _, (_, *rows) = table(office.get("stock_then_file", "csv", at=asked))
            assert {(row[0], row[2], row[3]): int(row[4]) for row in rows} == held

    def test_only_one_family(self, office, shop):
        page = office.get("stock_then", at="2026-03-02T09:00", family="disc29")
        assert page.context["in_all"] > 0

    @pytest.mark.parametrize("at", ["", "soon", "2026-03-05T09:00"])
    def test_no_moment_or_one_to_come(self, office, shop, at):
        page = office.get("stock_then", at=at)
        assert page.status_code == 400
        assert wrong_fields(page) == ["at"]

    def test_before_the_first_movement_there_was_nothing(self, office, shop):
        assert "There was nothing." in text_of(office.get("stock_then", at="2020-01-01T00:00"))


def mm_of(line):
    return f"{line.thickness_nm / 1_000_000:.3f}"


class TestStale:
    def test_after_the_settings_days(self, office, shop, manager):
        assert "Nothing does." in text_of(office.get("stale"))
        with time_machine.travel(AT + 8 * 24 * HOUR):
            office.client.force_login(manager)  # after eight days anybody is logged out
            words = text_of(office.get("stale"))
        for place in ("receiving", "inspection", "tray"):
            assert place in words
        kinds = ("receiving", "inspection", "tray", "transit")
        lots = Balance.objects.filter(site=shop.site, place__kind__in=kinds, on_hand__gt=0).count()
        with time_machine.travel(AT + 8 * 24 * HOUR):
            assert office.get("stale").content.decode().count('<th scope="row"') == lots


class TestJourneys:
    def test_a_used_shim_that_went_into_an_engine(self, office, shop):
        page = office.get("journeys", family="disc29")
        assert page.status_code == 200
        assert "not known" in text_of(page).split("Days between")[1]
        _, rows = table(office.get("journeys_file", "csv", family="disc29"))
        assert len(rows) - 1 == len(page.context["shims"].object_list) > 0
        assert Movement.objects.filter(reason="fit").count() >= len(rows) - 1

    def test_dates_and_another_family(self, office, shop):
        assert (
            office.get("journeys", family="disc29", since="2026-03-03").context["shims"].paginator.count == 0
        )
        turned_round = office.get("journeys", family="disc29", since="2026-03-03", until="2026-03-02")
        assert wrong_fields(turned_round) == ["until"]
        assert wrong_fields(office.get("journeys", family="none")) == ["family"]
        assert office.get("journeys_file", "csv", family="none").status_code == 400

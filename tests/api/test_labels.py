"""GET /labels and /bins/<id>/pack-label: what the pages print, for a program."""

import pypdfium2
import pytest
import zxingcpp
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.labels import Label
from inventory.selectors.labels import too_many
from inventory.services.bins import retire_bin
from inventory.services.catalogue import add_bin, add_tray
from shop.actor import service_actor
from tests.jobs.shop import AT


def codes(answer):
    """Every address on the paper, page by page, and the words on it."""
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    paper = pypdfium2.PdfDocument(answer.content)
    found = [zxingcpp.read_barcodes(page.render(scale=300 / 72).to_pil()) for page in paper]
    words = " ".join(page.get_textpage().get_text_range() for page in paper)
    return [sorted(code.text for code in page) for page in found], words


@pytest.fixture
def address(world):
    def of(place):
        return f"http://testserver/at/{world.site.code}/places/{place.pk}"

    return of


def test_a_sheet_of_all_bins_and_of_one_cabinet(world, address):
    bins = list(world.shop.bins.values())
    whole = world.program.get("/labels")
    assert whole["Content-Disposition"] == f'attachment; filename="labels-{world.site.code}.pdf"'
    (found,), _ = codes(whole)
    assert found == sorted(map(address, bins))
    first, *others = sorted(bins, key=lambda place: (place.cabinet, place.row, place.column))
    asked = f"/labels?cabinet={first.cabinet}&sheet=a4-65&skip=64"
    in_it = [place for place in others if place.cabinet == first.cabinet]
    pages, _ = codes(world.program.get(asked))
    assert pages == [[address(first)], *([sorted(map(address, in_it))] if in_it else [])]


def test_trays_and_one_place_alone(world, address):
    tray = add_tray(site=world.site, actor=service_actor(), code="T77")
    (found,), _ = codes(world.program.get("/labels?of=trays"))
    assert address(tray) in found
    for place in (tray, world.shop.bin("2.575")):
        (one,), words = codes(world.program.get(f"/labels?place={place.code}"))
        assert one == [address(place)]
        assert place.code in words


def test_a_pack_says_what_is_in_it(world, address):
    place = world.shop.bin("2.575")
    path = f"/bins/{place.pk}/pack-label"
    (one,), words = codes(world.program.get(f"{path}?thickness=2.575mm&quantity=12&condition=used"))
    assert one == [address(place)]
    assert "2.575" in words
    assert "12 × used" in words


def test_labels_of_packs_that_are_alike(world, address, client, manager):
    """Each on its own page, or on a sheet that was begun; the page prints the same."""
    place = world.shop.bin("2.575")
    path, asked = f"/bins/{place.pk}/pack-label", "thickness=2.575mm&quantity=12&condition=new&labels="
    pages, _ = codes(world.program.get(f"{path}?{asked}3"))
    assert pages == [[address(place)]] * 3
    sheets = world.program.get(f"{path}?{asked}5&sheet=a4-24&skip=22")
    pages, words = codes(sheets)
    assert [len(page) for page in pages] == [2, 3]
    assert words.count("12 × new") == 5
    client.force_login(manager)
    page = f"/at/{world.site.code}{path}?{asked.replace('mm', '')}"
    assert client.get(f"{page}5&sheet=a4-24&skip=22").content == sheets.content
    for query, pointer in (("5&skip=2", "?skip"), ("5&sheet=a4-24&skip=24", "?skip"), ("501", "?labels")):
        refused = world.program.get(f"{path}?{asked}{query}")
        assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (400, pointer)
    for query, says in (
        ("5&sheet=a4-24&skip=24", "The sheet has 24 places: key in 0 to 23."),
        ("501", "500 labels are the most at once: key in so many or fewer"),
    ):
        refused = client.get(f"{page}{query}")
        assert refused.status_code == 400
        assert says in refused.content.decode()


def test_more_than_are_printed_at_once_say_what_would_do():
    """Of all bins, and of what has no smaller part."""
    labels = [Label(headline=str(number), code="B", url="https://shop.example") for number in range(501)]
    assert too_many(labels[:500], of_all_bins=True) == ""
    most = "These are 501 labels, and 500 is the most at once: "
    assert too_many(labels, of_all_bins=True) == f"{most}take one cabinet at a time."
    assert too_many(labels, of_all_bins=False).startswith(f"{most}print those that you need one by one")


@pytest.mark.parametrize(
    ("query", "pointer", "says"),
    [
        ("place=B01&sheet=a4-24", "?sheet", "one label alone"),
        ("of=trays&cabinet=B", "?cabinet", "trays are in no cabinet"),
        ("skip=24", "?skip", "less than 24"),
        ("skip=-1", "?skip", "at least 0"),
    ],
)
def test_what_makes_no_sense(world, query, pointer, says):
    refused = world.program.get(f"/labels?{query}")
    assert refused.status_code == 400
    (error,) = refused.json()["errors"]
    assert error["pointer"] == pointer
    assert says in error["detail"]


def test_a_pack_of_what_no_shim_can_be(world):
    path = f"/bins/{world.shop.bin('2.575').pk}/pack-label"
    missing = world.program.get(path)
    assert (missing.status_code, missing.json()["errors"][0]["pointer"]) == (400, "?thickness")
    # 0.1043 in is 2.64922 mm (1 in = 25.4 mm).
    refused = world.program.get(f"{path}?thickness=0.1043mm")
    assert refused.status_code == 400
    assert "0.1043 in" in refused.json()["errors"][0]["detail"]


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("thickness=2.651mm", "is not a size of its family"),
        ("thickness=9mm", "is not a size of its family"),
        ("thickness=9mm&condition=used", "more than 0.1 mm outside its family"),
    ],
)
def test_a_pack_of_what_the_family_is_not_made_in(world, query, says, client, manager):
    place = world.shop.bin("2.575")
    refused = world.program.get(f"/bins/{place.pk}/pack-label?{query}")
    assert refused.status_code == 400
    (error,) = refused.json()["errors"]
    assert error["pointer"] == "?thickness"
    assert says in error["detail"]
    client.force_login(manager)
    page = client.get(
        f"/at/{world.site.code}/bins/{place.pk}/pack-label?quantity=1&{query.replace('mm', '')}"
        + ("" if "condition" in query else "&condition=new")
    )
    assert page.status_code == 400
    assert says in page.content.decode()
    assert (
        world.program.get(f"/bins/{place.pk}/pack-label?thickness=2.651mm&condition=used").status_code == 200
    )


def test_what_is_not_there_and_what_is_another_sites(world, other_site, stranger):
    place = world.shop.bin("2.575")
    for query in ("place=nowhere", "cabinet=nowhere", "site=harbour"):
        assert world.program.get(f"/labels?{query}").status_code == 404
    assert stranger.get("/labels").status_code == 404  # it has no bin at all
    assert stranger.get(f"/labels?place={place.code}").status_code == 404
    assert stranger.get(f"/bins/{place.pk}/pack-label?thickness=2.575mm").status_code == 404


def test_as_many_queries_for_many_bins(world):
    few = count_queries(world.program, "/labels")
    for number in range(6):
        world.shop.bin(f"2.{725 + 25 * number}")
    assert count_queries(world.program, "/labels") == few <= 10


def count_queries(program, path):
    program.get("/me")  # the last use of the key is noted
    with CaptureQueriesContext(connection) as caught:
        assert program.get(path).status_code == 200
    return len(caught)


def test_a_pack_of_a_bin_that_is_out_of_use(world):
    by = service_actor()
    made = add_bin(site=world.site, actor=by, at=AT, code="OUT", cabinet="Z", row=1, column=1)
    out = retire_bin(place=made, actor=by, at=AT)
    refused = world.program.get(f"/bins/{out.pk}/pack-label?thickness=2.575mm")
    assert (refused.status_code, refused.json()["detail"]) == (
        409,
        "OUT is out of use: bring it back into use first.",
    )

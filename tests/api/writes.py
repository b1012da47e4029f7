"""For every write of the API: how to come to a moment at which it succeeds, and what to send then.

The walk over all writes (test_every_write.py) fails for an operation that is missing here.
"""

from django.urls import get_resolver
from django.utils import timezone

from api.operations import operation_of
from inventory.models import Movement, PurchaseLine
from inventory.services.auditing import AUDIT_BOOKS
from shop.background.work import work_once
from shop.models import Task
from shop.webhooks.deliveries import hand_on
from shop.webhooks.events import EventKind, tell
from tests.api import (
    buying_writes,  # noqa: F401
    catalogue_writes,  # noqa: F401 - these have cases of their own
    counting,
    floor_writes,  # noqa: F401
    table_writes,  # noqa: F401
)
from tests.api.cases import CASES as CASES
from tests.api.cases import case
from tests.api.world import World, length

# Nobody listens there: nothing is sent in these tests.
RECEIVER = "http://127.0.0.1:9/coldgap"


def addresses():
    """(route below /api/v1, view class) of every address of the API."""
    (api,) = [entry for entry in get_resolver().url_patterns if getattr(entry, "app_name", "") == "api"]
    for entry in api.url_patterns:
        view = getattr(entry.callback, "cls", None)
        if view is not None:
            yield str(entry.pattern).removeprefix("v1"), view


def operations():
    """Every operation of the API with its method and route."""
    for route, view in addresses():
        for method in view.http_method_names:
            declared = operation_of(getattr(view, method, None))
            if declared is not None and method != "head":
                yield method, route, declared


def method_of(declared):
    """With which method the write is sent."""
    return "patch" if declared.kind == "change" else "post"


def thing_at(declared, path):
    """The address of the thing that an act or a change at this path is done to."""
    return path if declared.kind == "change" else path.rpartition("/")[0]


def writes():
    return [(route, declared) for method, route, declared in operations() if declared.keeps_its_answer]


@case("receive_shims")
def receive_shims(world: World):
    return "/stock/receive", {"document": "note 7", "lines": [world.line(quantity=3)]}


@case("put_away")
def put_away(world: World):
    world.in_receiving()
    return "/stock/put-away", {"lines": [world.line()]}


@case("move_shims")
def move_shims(world: World):
    line = world.line() | {"bin": world.bin("2.700")}
    return "/stock/move", {"source": world.bin("2.575"), "lines": [line]}


@case("return_to_bin")
def return_to_bin(world: World):
    world.at_inspection()
    return "/stock/return-to-bin", {"lines": [world.line("2.600", "used")]}


@case("scrap_shims")
def scrap_shims(world: World):
    world.at_inspection()
    line = world.line("2.600", "used")
    del line["bin"]
    return "/stock/scrap", {"source": "inspection", "note": "pitted", "lines": [line]}


@case("count_in")
def count_in(world: World):
    return "/stock/count-in", {"note": "found behind the drawer", "lines": [world.line()]}


@case("inspect_shim")
def inspect_shim(world: World):
    world.at_inspection("2.600", "unmeasured")
    return "/inspections", {
        "family": world.family,
        "found": {"thickness": length("2.600"), "condition": "unmeasured"},
        "readings": [length("2.597"), length("0.1023", "in")],
        "face": "good",
        "marking_legible": True,
    }


@case("reverse_movement")
def reverse_movement(world: World):
    world.program.done("/stock/count-in", {"note": "counted twice", "lines": [world.line()]})
    return f"/movements/{Movement.objects.latest('seq').uid}/reverse", {"note": "counted twice"}


@case("open_count")
def open_count(world: World):
    return "/counts", {"place": world.bin(world.another_drawer()), "why": "one too few in the drawer"}


@case("begin_count")
def begin_count(world: World):
    return f"{counting.opened(world, world.another_drawer())}/begin", {}


@case("key_count")
def key_count(world: World):
    return f"{counting.opened(world)}/key", {"found": [_found(20)]}


def _found(quantity):
    line = {"family": "disc29", "thickness": length("2.575"), "condition": "new"}
    return line | {"quantity": quantity}


@case("approve_count")
def approve_count(world: World):
    # Ten shims at 3.40 EUR are more than may be posted unseen.
    count = counting.differing(world, -10, world.another_drawer())
    return f"{count}/approve", {"note": "the drawer fell down"}


@case("post_count")
def post_count(world: World):
    return f"{counting.differing(world)}/post", {"note": "swept up"}


@case("reject_count")
def reject_count(world: World):
    return f"{counting.differing(world)}/reject", {"note": "the wrong drawer", "count_anew": True}


@case("cancel_count")
def cancel_count(world: World):
    return f"{counting.opened(world)}/cancel", {"note": "the drawer is locked"}


@case("hold_shims")
def hold_shims(world: World):
    return "/holds", {"reference": "calculator 9", "lines": [world.line()], "expires_in": 60}


@case("extend_hold")
def extend_hold(world: World):
    return f"/holds/{world.hold()['id']}/extend", {"expires_in": 600}


@case("release_hold")
def release_hold(world: World):
    return f"/holds/{world.hold()['id']}/release", {"note": "the customer left"}


@case("take_over_hold")
def take_over_hold(world: World):
    body = {"reference": f"order {next(world.numbers)}", "reason": "the customer waits", "positions": [0]}
    return f"/holds/{world.hold()['id']}/take-over", body


@case("start_audit")
def start_audit(world: World):
    # While one waits, asking again is no second one.
    Task.objects.filter(kind=AUDIT_BOOKS).update(state=Task.State.CANCELLED, finished_at=timezone.now())
    return "/audit", {}


@case("fit_hold")
def fit_hold(world: World):
    return f"/holds/{world.hold()['id']}/fit", {"lines": [{"position": 0, "fitted": 1}]}


@case("open_job")
def open_job(world: World):
    return "/jobs", world.job_body() | {"unit": "mm", "promised_at": "2030-01-05T09:00:00Z"}


@case("key_clearances")
def key_clearances(world: World):
    return f"{world.job()}/readings", world.readings


@case("key_shims")
def key_shims(world: World):
    return f"{world.job()}/shims", world.shims


@case("set_adjust")
def set_adjust(world: World):
    return f"{world.job()}/adjust", {"adjust": {"2-IN": "never"}}


@case("plan_job")
def plan_job(world: World):
    return f"{world.read()}/plan", {}


@case("accept_plan")
def accept_plan(world: World):
    return f"{world.planned()}/hold", {}


@case("release_plan")
def release_plan(world: World):
    return f"{world.held()}/release", {"note": "tomorrow"}


@case("hand_out_job")
def hand_out_job(world: World):
    return f"{world.held()}/hand-out", {}


@case("fit_job")
def fit_job(world: World):
    really = {
        "1-IN": {
            "thickness": length("2.600"),
            "condition": "used",
            "source": f"bin:{world.bin('2.600')}",
            "reason": "nearer to the aim",
        }
    }
    return f"{world.held()}/fit", {"really": really}


@case("sign_off_job")
def sign_off_job(world: World):
    return f"{world.measured_again()}/sign-off", {}


@case("take_into_bay")
def take_into_bay(world: World):
    return f"{world.held()}/take-into-bay", {"bay": world.shop.bay().number}


@case("stop_job")
def stop_job(world: World):
    return f"{world.held()}/stop", {"note": "sold as it is"}


@case("set_promise")
def set_promise(world: World):
    return f"{world.held()}/promise", {"priority": 3, "promised_at": "2030-01-05T09:00:00Z"}


@case("hand_over")
def hand_over(world: World):
    promised = world.promised()
    return f"/jobs/{promised.from_job_id}/hand-over", {"hand_over": str(promised.pk)}


@case("plan_shop")
def plan_shop(world: World):
    world.read()
    work_once()
    return "/shop-plans", {}


@case("accept_shop_plan")
def accept_shop_plan(world: World):
    return f"{world.shop_plan()}/accept", {}


@case("cancel_shop_plan")
def cancel_shop_plan(world: World):
    return f"{world.shop_plan_under_way()}/cancel", {}


@case("mark_bought")
def mark_bought(world: World):
    world.need()
    return "/purchase-lists", {"supplier": "norrbeck", "lines": [world.size(quantity=2)]}


@case("receive_purchase")
def receive_purchase(world: World):
    bought = world.bought()
    line = {"line": bought["lines"][0]["id"], "quantity": 1, "bin": world.bin("2.700"), "price": "3.20"}
    found = {"damaged": 1, "wrong": 1, "wrong_thickness": length("2.725"), "measured": [length("2.701")]}
    return f"/purchase-lists/{bought['id']}/receive", {
        "document": "note 9",
        "confirm": True,
        "lines": [line | found],
    }


@case("ask_for_choice")
def ask_for_choice(world: World):
    world.need()
    return "/purchase-choices", {}


@case("edit_list")
def edit_list(world: World):
    draft = world.draft()
    (line,) = PurchaseLine.objects.filter(purchase_list=draft.rpartition("/")[2])
    return f"{draft}/edit", {"lines": [{"line": str(line.pk), "packs": 5, "locked": True}]}


@case("approve_list")
def approve_list(world: World):
    return f"{world.draft()}/approve", {}


@case("reopen_list")
def reopen_list(world: World):
    return f"{world.approved()}/reopen", {}


@case("send_list")
def send_list(world: World):
    return f"{world.approved()}/send", {}


@case("send_again")
def send_again(world: World):
    return f"{world.sent()}/send-again", {}


@case("note_reference")
def note_reference(world: World):
    return f"{world.sent()}/reference", {"reference": "NB 4711"}


@case("cancel_purchase")
def cancel_purchase(world: World):
    return f"/purchase-lists/{world.bought()['id']}/cancel", {}


@case("add_webhook")
def add_webhook(world: World):
    return "/webhooks", {"url": RECEIVER, "events": ["hold.ready", "stock.low"], "note": "the calculator"}


def webhook(world: World):
    return f"/webhooks/{world.program.done('/webhooks', add_webhook(world)[1])['id']}"


@case("rotate_webhook_secret")
def rotate_webhook_secret(world: World):
    return f"{webhook(world)}/rotate", {"overlap_hours": 2}


@case("disable_webhook")
def disable_webhook(world: World):
    return f"{webhook(world)}/disable", {"note": "moves to another machine"}


@case("enable_webhook")
def enable_webhook(world: World):
    hook = webhook(world)
    world.program.done(f"{hook}/disable")
    return f"{hook}/enable", {}


def given_up(world: World):
    """An event was given up for the webhook, which hears again by now."""
    hook = webhook(world)
    hand_on(tell(EventKind.STOCK_LOW, {}, site=world.site, at=timezone.now()), at=timezone.now())
    world.program.done(f"{hook}/disable")
    world.program.done(f"{hook}/enable")
    return hook


@case("replay_dead_deliveries")
def replay_dead_deliveries(world: World):
    return f"{given_up(world)}/replay", {}


@case("replay_webhook_delivery")
def replay_webhook_delivery(world: World):
    hook = given_up(world).rpartition("/")[2]
    (row,) = world.program.get(f"/webhook-deliveries?state=dead&webhook={hook}").json()["items"]
    return f"/webhook-deliveries/{row['id']}/replay", {}

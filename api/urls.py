"""Every address of the API, version 1. No trailing slashes."""

from django.urls import URLPattern, path

from api import (
    background,
    bins,
    document,
    engine_types,
    families,
    floor,
    holds,
    jobs,
    movements,
    plans,
    purchasing,
    sites,
    stock,
    vehicles,
)
from api.views import ApiView

app_name = "api"


def at(address: str, view: type[ApiView], name: str) -> URLPattern:
    return path(f"v1/{address}", view.as_view(), name=name)


urlpatterns = [
    at("plans", plans.Plans, "plans"),
    at("me", sites.Me, "me"),
    at("sites", sites.Sites, "sites"),
    at("sites/<slug:code>", sites.OneSite, "site"),
    at("shim-families", families.ShimFamilies, "shim-families"),
    at("shim-families/<slug:code>", families.OneShimFamily, "shim-family"),
    at("shim-families/<slug:code>/sizes", families.Sizes, "shim-family-sizes"),
    at("bins", bins.Bins, "bins"),
    at("bins/<uuid:id>", bins.OneBin, "bin"),
    at("stock", stock.Stock, "stock"),
    at("stock/receive", floor.ReceiveShims, "receive-shims"),
    at("stock/put-away", floor.PutAway, "put-away"),
    at("stock/move", floor.MoveShims, "move-shims"),
    at("stock/return-to-bin", floor.ReturnToBin, "return-to-bin"),
    at("stock/scrap", floor.ScrapShims, "scrap-shims"),
    at("stock/count-in", floor.CountIn, "count-in"),
    at("inspections", floor.MeasureShim, "inspections"),
    at("inspections/<uuid:id>", floor.OneInspection, "inspection"),
    at("movements", movements.Movements, "movements"),
    at("movements/<uuid:id>", movements.OneMovement, "movement"),
    at("movements/<uuid:id>/reverse", movements.ReverseMovement, "reverse-movement"),
    at("holds", holds.Holds, "holds"),
    at("holds/<uuid:id>", holds.OneHold, "hold"),
    at("holds/<uuid:id>/extend", holds.ExtendHold, "extend-hold"),
    at("holds/<uuid:id>/release", holds.ReleaseHold, "release-hold"),
    at("holds/<uuid:id>/fit", holds.FitHold, "fit-hold"),
    at("engine-types", engine_types.EngineTypes, "engine-types"),
    at("engine-types/<slug:code>", engine_types.OneEngineType, "engine-type"),
    at("vehicles", vehicles.Vehicles, "vehicles"),
    at("vehicles/<uuid:id>", vehicles.OneVehicle, "vehicle"),
    at("jobs", jobs.Jobs, "jobs"),
    at("jobs/<uuid:id>", jobs.OneJob, "job"),
    at("jobs/<uuid:id>/readings", jobs.Readings, "key-clearances"),
    at("jobs/<uuid:id>/shims", jobs.Shims, "key-shims"),
    at("jobs/<uuid:id>/adjust", jobs.Adjust, "set-adjust"),
    at("jobs/<uuid:id>/plan", jobs.PlanJob, "plan-job"),
    at("jobs/<uuid:id>/hold", jobs.HoldPlan, "accept-plan"),
    at("jobs/<uuid:id>/release", jobs.ReleasePlan, "release-plan"),
    at("jobs/<uuid:id>/hand-out", jobs.HandOut, "hand-out-job"),
    at("jobs/<uuid:id>/fit", jobs.Fit, "fit-job"),
    at("jobs/<uuid:id>/sign-off", jobs.SignOff, "sign-off-job"),
    at("jobs/<uuid:id>/stop", jobs.Stop, "stop-job"),
    at("needs", purchasing.Needs, "needs"),
    at("suppliers", purchasing.Suppliers, "suppliers"),
    at("purchase-lists", purchasing.PurchaseLists, "purchase-lists"),
    at("purchase-lists/<uuid:id>", purchasing.OnePurchaseList, "purchase-list"),
    at("purchase-lists/<uuid:id>/receive", purchasing.ReceivePurchase, "receive-purchase"),
    at("purchase-lists/<uuid:id>/cancel", purchasing.CancelPurchase, "cancel-purchase"),
    at("tasks/<uuid:id>", background.OneTask, "task"),
    at("openapi.json", document.Document, "openapi"),
    path("docs", document.docs, name="docs"),
    path("problems", document.problem_list, name="problems"),
    path("problems/<slug:code>", document.problem_page, name="problem"),
]

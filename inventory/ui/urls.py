"""Addresses of the stock pages, under /at/<site>/."""

from django.urls import path

from inventory.ui import bins, delivery, imports, inspection, labels, movements, purchases, scanning, stock

urlpatterns = [
    path("stock", stock.stock_page, name="stock"),
    path("stock/<slug:family>", stock.family_page, name="family"),
    path("bins", bins.bins_page, name="bins"),
    path("bins/<uuid:pk>", bins.bin_page, name="bin"),
    path("bins/<uuid:pk>/move", bins.move_page, name="move"),
    path("bins/<uuid:pk>/count-in", bins.count_in_page, name="count_in"),
    path("places/<uuid:pk>/scrap", bins.scrap_page, name="scrap"),
    path("places/<uuid:pk>", scanning.place_page, name="place"),
    path("places/<uuid:pk>/label", labels.label_page, name="label"),
    path("bins/<uuid:pk>/pack-label", labels.pack_label_page, name="pack_label"),
    path("labels", labels.labels_page, name="labels"),
    path("scan", scanning.scan_page, name="scan"),
    path("tables", imports.tables_page, name="tables"),
    path("tables/<uuid:pk>", imports.import_page, name="import"),
    path("tables/<uuid:pk>/apply", imports.apply_import_button, name="apply_import"),
    path("tables/export/<slug:kind>.<slug:ending>", imports.export_page, name="export"),
    path("counter", delivery.counter_page, name="counter"),
    path("counter/receive", delivery.receive_page, name="receive"),
    path("counter/put-away", delivery.put_away_page, name="put_away"),
    path("inspection", inspection.inspection_page, name="inspection"),
    path("inspection/<int:lot>/measure", inspection.measure_page, name="measure"),
    path("inspection/<int:lot>/return", inspection.return_page, name="return"),
    path("movements", movements.movements_page, name="movements"),
    path("movements/<uuid:uid>", movements.movement_page, name="movement"),
    path("buy", purchases.to_buy_page, name="to_buy"),
    path("purchases", purchases.purchases_page, name="purchases"),
    path("purchases/<uuid:pk>", purchases.purchase_page, name="purchase"),
    path("purchases/<uuid:pk>/cancel", purchases.cancel_purchase_button, name="cancel_purchase"),
]

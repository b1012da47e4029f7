"""An order as a document: what is sent to the supplier, and what a program of his reads."""

from typing import Any

from django.http import HttpResponse
from django.urls import reverse

from api import queries
from api.kinds import files
from api.purchasing import PurchaseListView
from api.views import Call, OnlyJson
from inventory.orders import order_csv, order_pdf, order_record, order_ubl, order_xlsx
from inventory.table_files import CSV, XLSX
from shop.roles import Action

PDF, XML = "application/pdf", "application/xml"
PAPERS = {
    "pdf": (order_pdf, PDF),
    "csv": (order_csv, CSV),
    "xlsx": (order_xlsx, XLSX),
    "xml": (order_ubl, XML),
}


class OrAPaper(OnlyJson):
    besides = frozenset({PDF, CSV, XLSX, XML, "text/*"})


class OrderPaper(PurchaseListView):
    content_negotiation_class = OrAPaper

    @files(
        Action.READ,
        "order_paper",
        "The order as a document; xml is a UBL 2.1 Order.",
        media_types=(PDF, CSV, XLSX, XML),
        query=(queries.choice("format", "Left out: pdf.", tuple(PAPERS)),),
    )
    def get(self, call: Call, **path: Any) -> HttpResponse:
        ending = call.query.get("format", "pdf")
        write, kind = PAPERS[ending]
        bought = self.find(call.actor, **path)
        page = reverse("purchase", args=[bought.site.code, bought.pk])
        order = order_record(bought, address=self.request.build_absolute_uri(page))
        answer = HttpResponse(write(order), content_type=kind)
        answer["Content-Disposition"] = f'attachment; filename="order-{order.name}.{ending}"'
        return answer

"""The mail that carries an order: in words, as PDF, and as UBL for a program."""

from django.core.mail import EmailMessage

from inventory.models import PurchaseList
from inventory.orders.pdf import order_pdf
from inventory.orders.record import order_record
from inventory.orders.ubl import order_ubl


def mail_order(purchase_list: PurchaseList, *, copy: bool) -> dict[str, str]:
    """Send it to where the list says. Raises what Django's mail raises; the task tries again then."""
    order = order_record(purchase_list)
    what = f"Copy of order {order.name}" if copy else f"Order {order.name}"
    again = (
        f"You have this order already. This is a copy of {order.name}; please do not deliver it twice."
        if copy
        else f"Should this reach you more than once, it is one order: {order.name}."
    )
    lines = [
        f"{line.packs} × {line.part_number or '-'}: {line.words}"
        + ("" if line.amount is None else f", {line.amount:f} {order.currency}")
        for line in order.lines
    ]
    text = "\n".join(
        [
            f"{what} from {order.buyer[0]}, to {order.site}",
            "",
            *lines,
            "",
            f"Delivery {order.delivery:f} {order.currency}",
            f"Total {order.total:f} {order.currency}",
            "",
            again,
        ]
    )
    message = EmailMessage(
        subject=f"{what}, {order.buyer[0]}",
        body=text,
        to=[purchase_list.sent_to],
        headers={"X-Order-Number": order.name},
    )
    message.attach(f"order-{order.name}.pdf", order_pdf(order, copy=copy), "application/pdf")
    message.attach(f"order-{order.name}.xml", order_ubl(order), "application/xml")
    message.send()
    return {"order": order.name, "to": purchase_list.sent_to}

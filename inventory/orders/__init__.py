"""An order on paper and for programs: PDF, CSV, XLSX, UBL 2.1, and the mail that carries them.

record.py holds what all of them say; each form is a function from it to bytes. Totals are sums of rounded
amounts, by the one rule of compute.money.
"""

from inventory.orders.mail import mail_order
from inventory.orders.pdf import order_pdf
from inventory.orders.record import OrderLine, OrderRecord, order_record
from inventory.orders.tables import order_csv, order_xlsx
from inventory.orders.ubl import order_ubl

__all__ = [
    "OrderLine",
    "OrderRecord",
    "mail_order",
    "order_csv",
    "order_pdf",
    "order_record",
    "order_ubl",
    "order_xlsx",
]

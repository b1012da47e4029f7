"""Money: exact decimals in a named currency, and the one rule by which amounts are rounded.

Promise
    No float holds an amount. A price may have more decimals than its currency has coins; an amount that is
    asked for, paid or printed never has. It is rounded once, where a line's amount is formed, half away from
    zero, to the currency's minor unit; a total is the sum of rounded amounts and is never rounded itself, so
    what a document adds up to is what its lines add up to.

    The codes and their minor units are those of ISO 4217. Funds, precious metals and the codes for testing
    and for no currency are left out: nobody pays for shims in them.
"""

from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_UP, Context, Decimal, InvalidOperation
from fractions import Fraction

_DIGITS = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF",
    2: "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BGN BMD BND BOB BRL BSD BTN BWP BYN BZD CAD CDF CHF "
    "CNY COP CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL HTG HUF "
    "IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR "
    "MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD "
    "SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD UYU UZS VES WST XCD YER ZAR "
    "ZMW",
    3: "BHD IQD JOD KWD LYD OMR TND",
}
MINOR_DIGITS: Mapping[str, int] = {
    code: digits for digits, codes in _DIGITS.items() for code in codes.split()
}
"""How many decimals an amount of each currency has."""
MOST = Decimal(10) ** 9
"""More than any order for shims comes to; a slip of the comma shows here."""
PRICE_DECIMALS = 4
_EXACT = Context(prec=60)


class MoneyError(ValueError):
    """An amount or a currency that cannot be meant; the message says what would do."""


def known_currency(code: str) -> str:
    """The code in capitals. Raises MoneyError for one that ISO 4217 does not have."""
    capitals = code.strip().upper()
    if capitals not in MINOR_DIGITS:
        raise MoneyError(
            f"“{code.strip()[:20]}” is no currency; write the three letters of ISO 4217, such as EUR."
        )
    return capitals


def minor_unit(code: str) -> Decimal:
    """The smallest amount of a currency: 0.01 for EUR, 1 for JPY, 0.001 for KWD."""
    return Decimal(1).scaleb(-MINOR_DIGITS[known_currency(code)])


def rounded(amount: Decimal | Fraction, code: str) -> Decimal:
    """The amount in whole minor units, half away from zero, with all the decimals of its currency."""
    unit = minor_unit(code)
    if isinstance(amount, Fraction):
        units = abs(amount) / Fraction(unit)
        whole = (2 * units.numerator + units.denominator) // (2 * units.denominator)
        return _EXACT.multiply(Decimal(whole if amount >= 0 else -whole), unit)
    return amount.quantize(unit, rounding=ROUND_HALF_UP, context=_EXACT)


def line_amount(price: Decimal, quantity: int, code: str) -> Decimal:
    """What so many cost at a price each: multiplied exactly, then rounded once."""
    return rounded(_EXACT.multiply(price, Decimal(quantity)), code)


def total(amounts: Iterable[Decimal], code: str) -> Decimal:
    """The sum of amounts that are rounded already; 0 for none. Raises MoneyError for one that is not."""
    unit = minor_unit(code)
    found = Decimal(0) * unit
    for amount in amounts:
        if amount % unit:
            raise MoneyError(f"{amount} {code} is no whole number of {unit} {code}.")
        found = _EXACT.add(found, amount)
    return found.quantize(unit, context=_EXACT)


def in_minor_units(amount: Decimal, code: str) -> int:
    """The amount as a whole number of the currency's smallest units. Raises MoneyError for parts of one."""
    units = amount / minor_unit(code)
    if units != units.to_integral_value():
        raise MoneyError(f"{amount} {code} is no whole number of {minor_unit(code)} {code}.")
    return int(units)


def parse_price(text: str, decimals: int = PRICE_DECIMALS) -> Decimal:
    """A price as keyed: digits with a point or a comma before the decimals, no other sign.

    Raises MoneyError for anything else, for more decimals than `decimals` and for more than `MOST`.
    """
    keyed = text.strip().replace("\N{NO-BREAK SPACE}", "")
    plain = keyed.replace(",", ".") if keyed.count(",") == 1 and "." not in keyed else keyed
    try:
        price = Decimal(plain)
    except InvalidOperation:
        price = Decimal("NaN")
    if not price.is_finite() or not plain.replace(".", "", 1).isdecimal() or not plain.isascii():
        raise MoneyError(f"“{keyed[:20]}” is no price; write it like 3.25.")
    exponent = price.as_tuple().exponent
    if isinstance(exponent, int) and -exponent > decimals:
        raise MoneyError(f"{keyed} has more than {decimals} decimals.")
    if price > MOST:
        raise MoneyError(f"{keyed} is more than {MOST:,.0f}; check the comma.")
    return price


def show_money(amount: Decimal | Fraction, code: str) -> str:
    """For people: the amount with the decimals of its currency and the code, `12.50 EUR`."""
    return f"{rounded(amount, code):f} {code}"

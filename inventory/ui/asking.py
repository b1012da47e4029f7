"""Acts that may be asked back: shims into a bin that is kept for another family."""

from inventory.services.shim_lines import KeptForAnother
from shop.errors import ShopError
from shop.pages.once import OnceForm


class AskingForm(OnceForm):
    """A form that is shown again with the question and a second button (inventory/_ask.html).

    Who presses that one confirms what stands in the form then.
    """

    asks = False

    @property
    def confirmed(self) -> bool:
        return self.data.get("confirm") == "yes"

    def take(self, refusal: ShopError | None) -> ShopError | None:
        self.asks = isinstance(refusal, KeptForAnother)
        return super().take(refusal)

"""Acts that may be asked back: shims into a bin that is kept for another family, what an
inspection called scrap, more than was ordered."""

from inventory.services.inspection_fate import ProposedForScrap
from inventory.services.receipts import BeyondTheOrder
from inventory.services.shim_lines import KeptForAnother
from shop.errors import ShopError
from shop.pages.once import OnceForm

ASKED: dict[type[ShopError], str] = {
    ProposedForScrap: "It is good: keep it all the same",
    KeptForAnother: "Put them there all the same",
    BeyondTheOrder: "It is so: book it all the same",
}


class AskingForm(OnceForm):
    """A form that is shown again with the question and a second button (inventory/_ask.html).

    Who presses that one confirms what stands in the form then.
    """

    # The words of the second button; empty where nothing is asked.
    asks = ""

    @property
    def confirmed(self) -> bool:
        return self.data.get("confirm") == "yes"

    def take(self, refusal: ShopError | None) -> ShopError | None:
        self.asks = next((words for kind, words in ASKED.items() if isinstance(refusal, kind)), "")
        return super().take(refusal)

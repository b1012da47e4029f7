"""Log in, log out, choose the site."""

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from shop.log_ins import TooManyAttempts, client_address, count_attempt, take_back_attempt
from shop.pages.forms import ShopRenderer
from shop.pages.people import PageRequest


class LogInForm(AuthenticationForm):
    """Name and password; a password manager may fill them in, and pasting works."""

    default_renderer = ShopRenderer()
    error_messages = {
        "invalid_login": "This name and password do not belong together. Capitals count.",
        "inactive": "This log-in has been closed. Ask the shop's manager.",
    }

    def __init__(self, request: HttpRequest | None = None, *args: object, **kwargs: object) -> None:
        super().__init__(request, *args, **kwargs)
        self.label_suffix = ""
        self.fields["username"].label = "Name"
        self.throttled: TooManyAttempts | None = None
        self.fields["username"].widget.attrs |= {"autocapitalize": "none", "spellcheck": "false"}

    def clean(self) -> dict[str, Any]:
        """Counted before the password is looked at (shop/log_ins.py)."""
        name, password = self.cleaned_data.get("username"), self.cleaned_data.get("password")
        if name is None or not password:
            return super().clean()
        address = client_address(self.request.META)
        try:
            count_attempt(name=name, address=address, at=timezone.now())
        except TooManyAttempts as refused:
            self.throttled = refused
            raise ValidationError(refused.message, code=refused.code) from refused
        cleaned = super().clean()
        take_back_attempt(name=name, address=address)
        return cleaned


class LogIn(LoginView):
    """Back to where the person wanted to go, if that is an address of this service."""

    template_name = "shop/log_in.html"
    authentication_form = LogInForm
    redirect_authenticated_user = True

    def form_invalid(self, form: LogInForm) -> HttpResponse:
        response = super().form_invalid(form)
        if form.throttled is not None:
            response.status_code = form.throttled.status
            response["Retry-After"] = str(form.throttled.wait)
        return response


class LogOut(LogoutView):
    """By POST only: a link in a picture must not log anybody out."""

    next_page = "login"


log_in = LogIn.as_view()
log_out = LogOut.as_view()


@require_safe
def home(request: PageRequest) -> HttpResponse:
    """The board of the person's one site, or the choice between several."""
    if len(request.memberships) == 1:
        return redirect("board", request.memberships[0].site.code)
    return you(request)


@require_safe
def you(request: PageRequest) -> HttpResponse:
    """The person, their sites, and the way out."""
    return render(request, "shop/sites.html", {})

"""A new password: for somebody who forgot it, by a link, and for somebody who knows the old one."""

from __future__ import annotations

from typing import Any

from allauth.account.adapter import get_adapter
from allauth.account.forms import ResetPasswordForm, ResetPasswordKeyForm, default_token_generator
from allauth.account.internal.flows.password_reset import request_password_reset
from allauth.account.views import PasswordResetFromKeyView
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse_lazy
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods
from django.views.generic.edit import FormView

from surveys.errors import Refusal
from surveys.permissions import Rule, account_of
from surveys.services.people import change_password
from surveys.web.access import page
from surveys.web.people import TOO_MANY
from surveys.web.shown import Shown, by_field, shown
from surveys.web.tries import too_many_mails, too_many_sign_ins

NO_ADDRESS = _("This does not read like an email address, such as name@example.org.")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def forgotten_password(request: HttpRequest) -> HttpResponse:
    """Ask for the mail address, and send a link there, or word that there is no account."""
    if request.method != "POST":
        return _forgotten_page(request)
    email = request.POST.get("email", "").strip().lower()
    form = ResetPasswordForm({"email": email})
    if not form.is_valid():
        return _forgotten_page(request, fault=str(NO_ADDRESS), status=422)
    if too_many_mails(request, email):
        return _forgotten_page(request, refused=str(TOO_MANY), status=429)
    if form.users:
        request_password_reset(request, email, form.users, default_token_generator)
    else:
        get_adapter().send_no_account_mail(email)
    return render(request, "account/forgotten_password.html", {"sent_to": email})


class NewPasswordForm(ResetPasswordKeyForm):  # type: ignore[misc]  # allauth brings no types
    """One box: a password manager types it, and a phone shows what was typed last."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        del self.fields["password2"]


class NewPassword(PasswordResetFromKeyView):  # type: ignore[misc]
    """The page behind the link: it works once, for an hour, and only while the password is the old one."""

    template_name = "account/new_password.html"
    success_url = reverse_lazy("sign-in")

    def get_form_class(self) -> type[NewPasswordForm]:
        return NewPasswordForm

    def get_context_data(self, **given: Any) -> dict[str, Any]:
        found = FormView.get_context_data(self, **given) if self.reset_user else given
        sentences = found["form"].errors.get("password1", []) if "form" in found else []
        faults = [Shown(str(one), "password1") for one in sentences]
        return {
            **found,
            "fault_list": faults,
            "faults": by_field(faults),
            "email": getattr(self.reset_user, "email", ""),
        }

    def form_valid(self, form: Any) -> HttpResponseBase:
        answer: HttpResponseBase = super().form_valid(form)
        messages.success(self.request, gettext("Your new password is set. Sign in with it."))
        return answer

    def form_invalid(self, form: Any) -> HttpResponse:
        answer: HttpResponse = super().form_invalid(form)
        answer.status_code = 422
        return answer


@sensitive_post_parameters("password1")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def new_password(request: HttpRequest, uidb36: str, key: str) -> HttpResponseBase:
    """Show the page behind a link, or set the password."""
    answer: HttpResponseBase = NewPassword.as_view()(request, uidb36=uidb36, key=key)
    return answer


@sensitive_post_parameters("old", "password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def own_password(request: HttpRequest) -> HttpResponse:
    """Change one's own password; every other session ends."""
    if request.method != "POST":
        return _own_page(request, [])
    account = account_of(request.user)
    if too_many_sign_ins(request, account.email):
        return _own_page(request, [], refused=str(TOO_MANY), status=429)
    try:
        change_password(by=account, old=request.POST.get("old", ""), new=request.POST.get("password", ""))
    except Refusal as refusal:
        return _own_page(request, shown(refusal.faults), refused=gettext(refusal.sentence), status=422)
    update_session_auth_hash(request, account)
    messages.success(request, gettext("Your password is changed. Every other machine is signed out."))
    return redirect("my-account")


def _own_page(request: HttpRequest, faults: list[Shown], *, refused: str = "", status: int = 200) -> HttpResponse:
    context = {"refused": refused, "fault_list": faults, "faults": by_field(faults)}
    return render(request, "account/change_password.html", context, status=status)


def _forgotten_page(request: HttpRequest, *, refused: str = "", fault: str = "", status: int = 200) -> HttpResponse:
    faults = [Shown(fault, "email")] if fault else []
    context = {
        "refused": refused,
        "fault_list": faults,
        "faults": by_field(faults),
        "email": request.POST.get("email", ""),
    }
    return render(request, "account/forgotten_password.html", context, status=status)


urlpatterns = [
    path("forgotten-password", forgotten_password, name="forgotten-password"),
    path("new-password/<str:uidb36>/<str:key>", new_password, name="new-password"),
    path("my/account/password", own_password, name="change-password"),
]

"""A tab with somebody looking over its shoulder: what it asked of whom, and what the policy stopped."""

from dataclasses import dataclass, field

from playwright.sync_api import BrowserContext, Page

# Told by the browser itself, for every page before anything of it runs.
_REPORT = """
addEventListener("securitypolicyviolation", (event) => {
  console.error("POLICY " + event.violatedDirective + " " + event.blockedURI + " " + event.sourceFile);
});
"""


@dataclass
class Watched:
    """outside: requests to anybody but this service. stopped: what the content policy stopped.
    broken: scripts that failed, dialogs that opened, answers of 500."""

    context: BrowserContext
    page: Page
    outside: list[str] = field(default_factory=list)
    stopped: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)


def watch(context: BrowserContext, ours: str) -> Watched:
    context.add_init_script(_REPORT)
    page = context.new_page()
    watched = Watched(context=context, page=page)

    def asked(request):
        if not request.url.startswith((f"{ours}/", "data:")):
            watched.outside.append(request.url)

    def said(message):
        if message.type == "error" and ("POLICY" in message.text or "Content Security" in message.text):
            watched.stopped.append(f"{page.url}: {message.text}")

    def answered(response):
        if response.status >= 500:
            watched.broken.append(f"{response.status} {response.url}")

    def opened(dialog):
        watched.broken.append(f"a dialog on {page.url}: {dialog.message}")
        dialog.dismiss()

    context.on("request", asked)
    context.on("response", answered)
    page.on("console", said)
    page.on("dialog", opened)
    page.on("pageerror", lambda error: watched.broken.append(f"{page.url}: {error}"))
    return watched

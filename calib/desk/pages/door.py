"""The door for phones and other devices on the local network: a code, shown here, used there, once."""

from markupsafe import Markup
from starlette.responses import Response

from calib.desk.guard import cookie
from calib.desk.web import BY_COOKIE, Ask, Page, go, show


def phone(ask: Ask) -> Page:
    """Show how a phone gets in: a QR code with the address and the one-time code."""
    desk = ask.desk
    if not desk.hosts or not ask.request.state.local:
        return show("phone.html", qr="", address="", code="", local=ask.request.state.local)
    import segno

    code = desk.entrance.code()
    address = f"http://{desk.hosts[0]}/in?code={code}"
    drawn = segno.make(address, error="m", micro=False)
    qr = drawn.svg_inline(scale=1, border=2, svgclass=None, lineclass=None, omitsize=True)
    return show(
        "phone.html",
        qr=Markup(qr),  # made by the library from an address of our own
        address=f"http://{desk.hosts[0]}/in",
        code=f"{code[:4]} {code[4:]}",
    )


def door(ask: Ask) -> Page:
    """Ask for the code; one that came in the address stands there already."""
    return show("in.html", code=ask.text("code")[:20], wrong=False)


def come_in(ask: Ask) -> Page | Response:
    """Take a code, and give a session for it."""
    if not ask.desk.entrance.use_code(ask.text("code")[:40]):
        return show("in.html", 403, code="", wrong=True)
    answer = go("/")
    session = ask.desk.entrance.new_session(local=ask.request.state.local)
    answer.headers.append("set-cookie", cookie(session))
    name = "".join(c for c in ask.text("by") if c.isalnum() or c in " .-_")[:40].strip()
    if name and name.isascii():
        answer.set_cookie(
            BY_COOKIE, name.replace(" ", "_"), max_age=365 * 86400, samesite="strict", path="/"
        )
    return answer

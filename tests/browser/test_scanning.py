"""The scan box in a real browser: a scanner's keystrokes, the camera where the browser reads codes, neither.

No browser here has a decoder behind BarcodeDetector. In its place stands one that gets the frames that the
page took from the camera and reads them with zxing-cpp; the camera shows the rendered label.
"""

import base64
import io

import pypdfium2
import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import expect

from tests.browser.launch import ARGUMENTS, EXECUTABLE
from tests.browser.watch import watch

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

CAMERA = (640, 480)
DETECTOR = """
window.BarcodeDetector = class {
  static async getSupportedFormats() { return FORMATS; }
  async detect(video) {
    const frame = document.createElement("canvas");
    [frame.width, frame.height] = [video.videoWidth, video.videoHeight];
    frame.getContext("2d").drawImage(video, 0, 0);
    return (await readCodes(frame.toDataURL())).map((rawValue) => ({ rawValue }));
  }
};
"""


def read_codes(picture: str) -> list[str]:
    """The codes in a picture that the page sends as a data address."""
    taken = Image.open(io.BytesIO(base64.b64decode(picture.partition(",")[2])))
    return [found.text for found in zxingcpp.read_barcodes(taken)]


def film(pdf: bytes) -> bytes:
    """A label held before a camera, as YUV4MPEG2: one frame, which the browser repeats."""
    (page,) = pypdfium2.PdfDocument(pdf)
    label = page.render(scale=2).to_pil()
    label.thumbnail(CAMERA)
    seen = Image.new("L", CAMERA, 128)
    seen.paste(label, ((CAMERA[0] - label.width) // 2, (CAMERA[1] - label.height) // 2))
    grey = bytes([128]) * (CAMERA[0] * CAMERA[1] // 2)
    return b"YUV4MPEG2 W640 H480 F10:1 Ip A1:1 C420jpeg\nFRAME\n" + seen.tobytes() + grey


@pytest.fixture
def place(workshop):
    return workshop.bin("2.650")


@pytest.fixture
def with_camera(chromium, logged_in, workshop, place, live_server, tmp_path):
    """A tab whose camera sees the label of a bin, and whose browser reads these formats."""
    browsers = []

    def start(user, formats: list[str]):
        asked = logged_in(user).context
        label = asked.request.get(f"/at/{workshop.site.code}/places/{place.pk}/label")
        recording = tmp_path / "label.y4m"
        recording.write_bytes(film(label.body()))
        camera = [
            "--use-fake-device-for-media-stream",
            "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-video-capture={recording}",
        ]
        browser = chromium.browser_type.launch(executable_path=EXECUTABLE, args=[*ARGUMENTS, *camera])
        browsers.append(browser)
        context = browser.new_context(base_url=live_server.url, viewport={"width": 390, "height": 844})
        context.add_cookies(asked.cookies())
        context.add_init_script(DETECTOR.replace("FORMATS", repr(formats)))
        context.expose_function("readCodes", read_codes)
        return watch(context, live_server.url)

    yield start
    for browser in browsers:
        browser.close()


def test_a_label_before_the_camera_opens_its_bin(with_camera, technician, workshop, place):
    watched = with_camera(technician, ["qr_code"])
    page = watched.page
    page.goto(f"/at/{workshop.site.code}/scan")
    page.get_by_role("button", name="Use the camera").click()
    page.wait_for_url(f"**/bins/{place.pk}")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Bin {place.code}")
    assert (watched.outside, watched.stopped, watched.broken) == ([], [], [])


def test_no_camera_is_offered_where_the_browser_reads_no_such_codes(with_camera, technician, workshop):
    page = with_camera(technician, ["ean_13"]).page
    page.goto(f"/at/{workshop.site.code}/scan")
    expect(page.get_by_role("button", name="Use the camera")).to_be_hidden()


def test_where_there_is_no_detector_the_box_takes_a_scanners_keystrokes(
    logged_in, technician, workshop, place
):
    page = logged_in(technician).page
    page.goto(f"/at/{workshop.site.code}/scan")
    assert page.evaluate("'BarcodeDetector' in window") is False
    expect(page.get_by_role("button", name="Use the camera")).to_be_hidden()
    page.keyboard.type(f"https://shop.example/at/{workshop.site.code}/places/{place.pk}")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/bins/{place.pk}")

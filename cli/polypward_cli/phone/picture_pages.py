"""Pictures that the phone's pages show: cut-outs of the ward, and small ones of uploads."""

from functools import lru_cache
from pathlib import Path
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from polypward_cli.phone.inbox import PHOTOS, is_token
from polypward_cli.phone.page import Ask, page
from polypward_cli.phone.uploads import upload_of
from polypward_cli.ward import Ward

__all__ = ["ROUTES", "token_of"]

PREVIEW_PX: Final = 480


def token_of(ask: Ask) -> str:
    """Return the token of an upload in the address; any other is no page."""
    token: str = ask.request.path_params["token"]
    if not is_token(token):
        raise HTTPException(404, "There is no such photo.")
    return token


async def cutout(ask: Ask) -> Response:
    """Send a cut-out of the ward: a picture that polypward made, without any data of the phone."""
    number = ask.request.path_params["number"]

    def find(ward: Ward) -> Path | None:
        rows = list(ward.db.query("select tile from readings where id = ?", [number]))
        return ward.path / rows[0]["tile"] if rows and rows[0]["tile"] else None

    path = await ask.phone.reading(find)
    if path is None or not path.is_file():
        raise HTTPException(404, "There is no such cut-out.")
    return FileResponse(path, media_type="image/jpeg", headers={"cache-control": "private"})


async def preview(ask: Ask) -> Response:
    """Send a small picture of an upload, made anew: place and owner in its data stay behind."""
    token = token_of(ask)
    known = await ask.phone.reading(lambda ward: upload_of(ward, token))
    if known is None:
        raise HTTPException(404, "There is no such photo.")
    data = await run_in_threadpool(_small, ask.phone.ward / PHOTOS / known.file)
    if data is None:
        raise HTTPException(404, "This photo cannot be shown.")
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private"})


@lru_cache(maxsize=300)
def _small(path: Path) -> bytes | None:
    """Return a small JPEG of a photo, None if it cannot be opened."""
    import io

    import numpy as np
    from PIL import Image

    from polypward.errors import PhotoRejectedError
    from polypward_vision.load import load_photo

    try:
        rgb = load_photo(path).rgb
    except (PhotoRejectedError, OSError):
        return None
    step = max(1, max(rgb.shape[:2]) // (2 * PREVIEW_PX))
    pixels = rgb[::step, ::step]
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    small = Image.fromarray(np.ascontiguousarray(pixels))
    small.thumbnail((PREVIEW_PX, PREVIEW_PX))
    stream = io.BytesIO()
    small.save(stream, "JPEG", quality=80)
    return stream.getvalue()


ROUTES: Final = (
    Route("/cutout/{number:int}", page(cutout)),
    Route("/preview/{token}", page(preview)),
)

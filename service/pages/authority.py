"""The local authority's certificate, for a tablet that is being set up."""

from fastapi import Request, Response

from service.errors import NotFound
from service.pages.page import page_router
from service.settings import Settings

router = page_router()


@router.get("/authority.crt")
def authority(request: Request) -> Response:
    """What is installed on a tablet once, after comparing the fingerprint that `serve` prints.

    Open to everybody: it is no secret, and who needs it cannot log in safely yet.
    """
    settings: Settings = request.app.state.settings
    file = settings.data_dir / "tls" / "authority.pem"
    if not file.is_file():
        raise NotFound("this service has no authority of its own", kind="unknown-address")
    return Response(file.read_bytes(), media_type="application/x-x509-ca-cert")

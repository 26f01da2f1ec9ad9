"""The files of a signing request."""

import os

from imgseal.flow.release import Job
from imgseal.offline.offline_signing import Asking
from imgseal.offline.request import encode_request
from imgseal.workspace.outputs import image_outputs, package_file_name
from imgseal.workspace.staging import Output


def request_outputs(asking: Asking, job: Job, folder: str) -> list[Output]:
    """Name the files of a request: itself, and the sealed images that a request for a package speaks for."""
    outputs = [output for image in asking.images for output in image_outputs(image, job.product, folder)]
    what = "images" if asking.request.items[0].is_statement else "package"
    name = package_file_name(job.product, development=job.options.development, unfinished=False).removesuffix(".suit")
    return [*outputs, Output(os.path.join(folder, f"{name}-{what}.request.json"), [encode_request(asking.request)])]

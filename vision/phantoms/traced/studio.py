"""The path tracer's side: one scene that is built once and refilled for every tile (Mitsuba 3).

Only this module imports Mitsuba (Jakob et al. 2022, https://mitsuba-renderer.org, BSD-3-Clause).
Sizes of all buffers stay the same from tile to tile, so that kernels are compiled once.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from phantoms.cameras import response
from phantoms.fields import Field
from phantoms.lights import Lamp
from phantoms.packed_tile import MM_PER_PX, MOST_PX
from phantoms.spectra import WAVELENGTHS_NM
from phantoms.traced.form import NODES
from phantoms.traced.ground import GROUND_NODES
from phantoms.traced.plan import QUADS, Plan
from phantoms.traced.settings import Settings
from phantoms.traced.shoots import SHOOT_FACES, SHOOT_NODES
from phantoms.traced.stage import CARD_FACES, PLUG_FACES, PLUG_NODES, grid_faces

__all__ = ["Shot", "Studio"]

FIELD_OF_VIEW_DEG = 23.5
BOUNCES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """What the tracer saw: `light` (rows, cols, 3) of the sensor, 1 = a white flat, and truth.

    `to_px` is the homography from tile pixels to picture pixels (centres at whole numbers).
    """

    light: Field
    labels: npt.NDArray[np.uint8]
    depth: Field  # (MOST_PX, MOST_PX) height over the tile's plane, mm
    to_px: npt.NDArray[np.float64]


def _spectrum(values: npt.NDArray[np.float64]) -> dict[str, Any]:
    return {
        "type": "regular",
        "wavelength_min": float(WAVELENGTHS_NM[0]),
        "wavelength_max": float(WAVELENGTHS_NM[-1]),
        "values": ",".join(f"{value:.7g}" for value in values),
    }


class Studio:
    """A scene with three cameras, ready to be refilled.

    Parameters
    ----------
    settings : Settings
        For its three sensors.
    variant : str
        ``"cuda_ad_spectral"``, or ``"llvm_ad_spectral"`` (needs LLVM's shared library; its path in
        DRJIT_LIBLLVM_PATH where it is not found).
    side_px : int
        Side of the picture.
    """

    def __init__(self, settings: Settings, *, variant: str, side_px: int = 640) -> None:
        import drjit  # type: ignore[import-not-found]
        import mitsuba  # type: ignore[import-not-found]

        mitsuba.set_variant(variant)
        self.mi, self.dr, self.settings, self.side_px = mitsuba, drjit, settings, side_px
        even = Lamp("even", np.ones(len(WAVELENGTHS_NM)))
        self.answers = [response(sensor, even) for sensor in settings.sensors]
        meshes = {
            "body": (NODES**2 + SHOOT_NODES, self._body_faces()),
            "ground": (GROUND_NODES**2, grid_faces(GROUND_NODES, GROUND_NODES)),
            "plug": (PLUG_NODES, PLUG_FACES),
            "card": (4 * len(CARD_FACES) // 2, CARD_FACES),
        }
        scene: dict[str, Any] = {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": BOUNCES, "hide_emitters": True},
            "sky": {"type": "constant", "radiance": _spectrum(np.ones(31))},
            "lamp": self._lamp(),
        }
        for name, (count, faces) in meshes.items():
            scene[name] = self._mesh(name, count, faces, smooth=name != "card")
        for index, answer in enumerate(self.answers):
            scene[f"eye{index}"] = self._eye(answer)
        self.scene = mitsuba.load_dict(scene)
        self.params = mitsuba.traverse(self.scene)
        self.body = next(shape for shape in self.scene.shapes() if shape.id() == "body")

    @staticmethod
    def _body_faces() -> npt.NDArray[np.uint32]:
        return np.concatenate([grid_faces(NODES, NODES), SHOOT_FACES + np.uint32(NODES**2)])

    def _mesh(self, name: str, count: int, faces: npt.NDArray[np.uint32], *, smooth: bool) -> Any:
        mi = self.mi
        props = mi.Properties()
        attribute = {
            key: {"type": "mesh_attribute", "name": f"vertex_{key}"}
            for key in ("color", "rough", "coat")
        }
        props["bsdf"] = mi.load_dict({
            "type": "twosided",
            "inner": {
                "type": "principled", "base_color": attribute["color"],
                "roughness": attribute["rough"], "clearcoat": attribute["coat"],
                "clearcoat_gloss": 0.97, "specular": 0.4,
                "flatness": 0.4 if name == "body" else 0.0,  # light that flesh carries on
            },
        })  # fmt: skip
        if not smooth:
            props["face_normals"] = True
        mesh = mi.Mesh(name, count, len(faces), props=props, has_vertex_normals=smooth)
        # Anywhere but in one point, for the first tree of the scene.
        start = np.random.default_rng(0).uniform(-1, 1, (count, 3)).astype(np.float32)
        mesh.add_attribute("vertex_color", 3, np.full(3 * count, 0.5, np.float32))
        mesh.add_attribute("vertex_rough", 1, np.full(count, 0.5, np.float32))
        mesh.add_attribute("vertex_coat", 1, np.full(count, 0.5, np.float32))
        params = mi.traverse(mesh)
        params["vertex_positions"] = start.ravel()
        params["faces"] = faces.ravel()
        params.update()
        return mesh

    def _lamp(self) -> Any:
        mi = self.mi
        props = mi.Properties()
        props["emitter"] = mi.load_dict({"type": "area", "radiance": _spectrum(np.ones(31))})
        faces = np.array(
            [[4 * i + k for k in t] for i in range(QUADS) for t in ((0, 1, 2), (0, 2, 3))]
        )
        mesh = mi.Mesh("lamp", 4 * QUADS, len(faces), props=props)
        corners = np.array([(-1, -1), (-1, 1), (1, 1), (1, -1)], np.float32)
        place = np.zeros((QUADS, 4, 3), np.float32)
        place[..., :2], place[..., 2] = corners, 500
        params = mi.traverse(mesh)
        params["vertex_positions"] = place.ravel()
        params["faces"] = faces.astype(np.uint32).ravel()
        params.update()
        return mesh

    def _eye(self, answer: npt.NDArray[np.float64]) -> dict[str, Any]:
        film = {
            "type": "specfilm", "width": self.side_px, "height": self.side_px,
            "rfilter": {"type": "box"},
            **{name: _spectrum(answer[:, k]) for k, name in enumerate(("red", "green", "blue"))},
        }  # fmt: skip
        return {
            "type": "perspective", "fov": FIELD_OF_VIEW_DEG, "film": film,
            "to_world": self.mi.ScalarTransform4f().look_at([0, 0, 360], [0, 0, 0], [0, 1, 0]),
            "sampler": {"type": "independent"},
        }  # fmt: skip

    def _fill(self, plan: Plan) -> None:
        params = self.params
        for name, part in plan.parts.items():
            params[f"{name}.vertex_positions"] = part.position.ravel()
            params[f"{name}.vertex_color"] = part.colour.ravel()
            params[f"{name}.vertex_rough"] = part.rough.ravel()
            params[f"{name}.vertex_coat"] = part.coat.ravel()
        params["lamp.vertex_positions"] = plan.lamps.ravel()
        params["lamp.emitter.radiance.values"] = plan.lamp_spectrum.astype(np.float32)
        params["sky.radiance.values"] = plan.sky_spectrum.astype(np.float32)
        look = self.mi.ScalarTransform4f().look_at(list(plan.eye), list(plan.aim), list(plan.up))
        params[f"eye{plan.sensor}.to_world"] = self.mi.Transform4f(look)
        params.update()

    def _truth(self, plan: Plan) -> tuple[npt.NDArray[np.uint8], Field]:
        """Labels and heights where the lines of sight through the tile's pixels end."""
        mi, dr = self.mi, self.dr
        line = (np.arange(MOST_PX, dtype=np.float32) + 0.5 - MOST_PX / 2) * MM_PER_PX
        x, y = np.meshgrid(line, line)
        eye = np.array(plan.eye, np.float32)
        way = np.stack([x - eye[0], y - eye[1], np.full_like(x, plan.plane_mm - eye[2])], -1)
        way /= np.linalg.norm(way, axis=-1, keepdims=True)
        count = x.size
        origin = np.broadcast_to(eye[:, None], (3, count)).astype(np.float32)
        ray = mi.Ray3f(
            mi.Point3f(np.ascontiguousarray(origin)), mi.Vector3f(way.reshape(-1, 3).T.copy())
        )
        hit = self.scene.ray_intersect_preliminary(ray, coherent=True)
        mine = hit.is_valid() & (hit.shape == mi.ShapePtr(self.body))
        table = mi.UInt32(plan.face_labels.astype(np.uint32))
        label = dr.gather(mi.UInt32, table, hit.prim_index, mine)
        labels = np.array(label).astype(np.uint8).reshape(MOST_PX, MOST_PX)
        far = np.nan_to_num(np.array(hit.t), posinf=500.0).reshape(MOST_PX, MOST_PX)
        depth = eye[2] + np.minimum(far, 500) * way[..., 2] - plan.plane_mm
        return labels, depth.astype(np.float32)

    def _to_px(self, plan: Plan) -> npt.NDArray[np.float64]:
        """Homography from tile pixels to picture pixels, by the camera's own rays."""
        look = np.array(
            self.mi.ScalarTransform4f()
            .look_at(list(plan.eye), list(plan.aim), list(plan.up))
            .matrix
        ).reshape(4, 4)
        half = np.tan(np.radians(FIELD_OF_VIEW_DEG) / 2)
        # Mitsuba's camera looks along +z with +x to the left and +y up.
        ends = []
        for u, v in ((0, 0), (1, 0), (1, 1), (0, 1)):
            ray = look[:3, :3] @ np.array([half * (1 - 2 * u), half * (1 - 2 * v), 1.0])
            at = np.array(plan.eye) + ray * (plan.plane_mm - plan.eye[2]) / ray[2]
            ends.append(at[:2])
        tile = np.array(ends) / MM_PER_PX + MOST_PX / 2 - 0.5
        side = self.side_px
        picture = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * side - 0.5
        import cv2

        return np.asarray(
            cv2.getPerspectiveTransform(tile.astype(np.float32), picture.astype(np.float32))
        )

    def shoot(self, plan: Plan, *, spp: int) -> Shot:
        """Trace one tile with `spp` paths a pixel."""
        self._fill(plan)
        image = self.mi.render(self.scene, sensor=plan.sensor, spp=spp, seed=plan.seed % 2**31)
        labels, depth = self._truth(plan)
        lamp = self.settings.lamps[plan.lamp_name]
        answer = self.answers[plan.sensor]
        raw = (answer * lamp.spectrum[:, None]).sum(axis=0) * 10  # nm between samples
        white = response(self.settings.sensors[plan.sensor], lamp).sum(axis=0)
        light = np.array(image)[..., :3] / raw * white
        return Shot(
            light=light.astype(np.float32), labels=labels, depth=depth, to_px=self._to_px(plan)
        )

"""A small writer of binary glTF 2.0 (Khronos Group, ISO/IEC 12113:2022): one mesh with colours.

Written here because the colours must look as they do in the picture: glTF wants vertex colours
in linear light, which eight bits hold badly, and a material without lighting.
"""

from __future__ import annotations

import json
import struct

import numpy as np
from numpy.typing import NDArray

_FLOAT, _USHORT, _UINT = 5126, 5123, 5125
_VERTEX_BUFFER, _INDEX_BUFFER = 34962, 34963
_JSON_CHUNK, _BIN_CHUNK = 0x4E4F534A, 0x004E4942


def linear_light() -> NDArray[np.uint16]:
    """(256,) sRGB bytes to linear light in 16 bits (IEC 61966-2-1)."""
    s = np.arange(256) / 255.0
    linear = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
    return np.round(linear * 65535.0).astype(np.uint16)


def glb_bytes(
    positions_m: NDArray[np.float32],
    normals: NDArray[np.float32],
    colours: NDArray[np.uint8],
    faces: NDArray[np.int32],
    *,
    origin_m: tuple[float, float, float],
    name: str,
) -> bytes:
    """One mesh as a binary glTF file.

    Parameters
    ----------
    positions_m : (n, 3) metres about `origin_m`, which the node's translation holds as doubles.
    normals : (n, 3) unit vectors; colours : (n, 3) sRGB; faces : (m, 3) vertex indices.
    """
    rgba = np.full((len(colours), 4), 65535, "<u2")
    rgba[:, :3] = linear_light()[colours]
    blocks = (
        np.ascontiguousarray(positions_m, "<f4").tobytes(),
        np.ascontiguousarray(normals, "<f4").tobytes(),
        rgba.tobytes(),
        np.ascontiguousarray(faces, "<u4").tobytes(),
    )
    sizes = [len(block) for block in blocks]
    document = _scene(name, origin_m) | {
        "accessors": _accessors(positions_m, 3 * len(faces)),
        "bufferViews": _views(sizes),
        "buffers": [{"byteLength": sum(sizes)}],
    }
    return _container(document, blocks, sum(sizes))


def _scene(name: str, origin_m: tuple[float, float, float]) -> dict[str, object]:
    """One node that holds one mesh, in colours that no light changes."""
    unlit = {
        "doubleSided": True,
        "pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 1.0},
        "extensions": {"KHR_materials_unlit": {}},
    }
    mesh = {
        "attributes": {"POSITION": 0, "NORMAL": 1, "COLOR_0": 2},
        "indices": 3,
        "material": 0,
    }
    return {
        "asset": {"version": "2.0", "generator": "guidecoat"},
        "extensionsUsed": ["KHR_materials_unlit"],
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": name, "translation": list(origin_m)}],
        "materials": [unlit],
        "meshes": [{"name": name, "primitives": [mesh]}],
    }


def _accessors(positions_m: NDArray[np.float32], indices: int) -> list[dict[str, object]]:
    """What each block holds; of places their box, too, as glTF wants."""
    n = len(positions_m)
    low = positions_m.min(axis=0, initial=np.inf).astype(float).tolist()
    high = positions_m.max(axis=0, initial=-np.inf).astype(float).tolist()
    return [
        {"bufferView": 0, "componentType": _FLOAT, "count": n, "type": "VEC3"}
        | {"min": low, "max": high},
        {"bufferView": 1, "componentType": _FLOAT, "count": n, "type": "VEC3"},
        {"bufferView": 2, "componentType": _USHORT, "count": n, "type": "VEC4"}
        | {"normalized": True},
        {"bufferView": 3, "componentType": _UINT, "count": indices, "type": "SCALAR"},
    ]


def _views(sizes: list[int]) -> list[dict[str, int]]:
    """Where each block lies: vertices first, indices last."""
    starts = np.cumsum([0, *sizes[:-1]]).tolist()
    targets = [_VERTEX_BUFFER] * (len(sizes) - 1) + [_INDEX_BUFFER]
    return [
        {"buffer": 0, "byteOffset": start, "byteLength": size, "target": target}
        for start, size, target in zip(starts, sizes, targets, strict=True)
    ]


def _container(document: dict[str, object], blocks: tuple[bytes, ...], size: int) -> bytes:
    text = json.dumps(document, separators=(",", ":"), allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    # every block is a multiple of four bytes long, so the binary chunk needs no padding
    total = 12 + 8 + len(text) + 8 + size
    return b"".join(
        (
            struct.pack("<4sII", b"glTF", 2, total),
            struct.pack("<II", len(text), _JSON_CHUNK),
            text,
            struct.pack("<II", size, _BIN_CHUNK),
            *blocks,
        )
    )

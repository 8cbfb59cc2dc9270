"""Orthomosaics: read by windows, placed on the earth, resumed after a stop, refused with a word."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from drawn_field import LEAF, TIP_COUNT, WEED, Planted, draw, plant, write_above_stand_in

from collarvision.above import ortho as ortho_module
from collarvision.above.calibration import AboveCalibration
from collarvision.above.fields import gather_field
from collarvision.above.network import ABOVE_MODEL_VARIABLE, AboveNetwork, load_above_network
from collarvision.above.ortho import OrthoError, is_ortho, open_ortho, read_ortho
from collarvision.above.scale import Stated
from collarvision.above.values import FrameAbove
from collarvision.boundary import metres_a_degree

rasterio = pytest.importorskip("rasterio", reason="GeoTIFFs need the ortho extra")
CALIBRATION = AboveCalibration()
WIDE, TALL, MM = 2200, 1700, 4.0
EAST, NORTH = 478_000.0, 4_594_000.0  # in UTM zone 15, near its middle meridian
UTM = "EPSG:32615"


@pytest.fixture(scope="module")
def field() -> Planted:
    return plant(WIDE * MM / 1000, TALL * MM / 1000, seed=3, strays=10, row_spacing_m=0.762)


@pytest.fixture(scope="module")
def picture(field: Planted) -> np.ndarray:
    return draw(field, WIDE, TALL, MM, weeds=20)


@pytest.fixture
def network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AboveNetwork:
    path = tmp_path / "above.onnx"
    write_above_stand_in(path)
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(path))
    return load_above_network()


def write(path: Path, rgb: np.ndarray, **more: object) -> Path:
    from rasterio.enums import ColorInterp
    from rasterio.transform import from_origin

    mask = more.pop("mask", None)
    profile = {
        "driver": "GTiff",
        "width": rgb.shape[1],
        "height": rgb.shape[0],
        "count": 3 if mask is None else 4,
        "dtype": rgb.dtype.name,
        "crs": UTM,
        "transform": from_origin(EAST, NORTH, MM / 1000, MM / 1000),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
    }
    tags = more.pop("tags", None)
    profile.update(more)
    with rasterio.open(path, "w", **profile) as out:
        for band in range(3):
            out.write(rgb[..., band], band + 1)
        if mask is not None:
            out.write(mask, 4)
            out.colorinterp = (
                ColorInterp.red,
                ColorInterp.green,
                ColorInterp.blue,
                ColorInterp.alpha,
            )
        if tags:
            out.update_tags(**tags)
    return path


def write_bands(path: Path, bands: np.ndarray) -> Path:
    """A picture of several bands without names."""
    profile = {"driver": "GTiff", "crs": UTM, "dtype": "uint8", "count": bands.shape[2]}
    where = rasterio.transform.from_origin(EAST, NORTH, MM / 1000, MM / 1000)
    size = {"width": bands.shape[1], "height": bands.shape[0]}
    with rasterio.open(path, "w", transform=where, **size, **profile) as out:
        out.write(np.moveaxis(bands, 2, 0))
    return path


def truth_degrees(field: Planted) -> tuple[np.ndarray, np.ndarray]:
    """Latitude and longitude of the drawn plants by PROJ."""
    from rasterio.warp import transform

    east = EAST + (WIDE / 2 + field.x * 1000 / MM) * MM / 1000
    north = NORTH - (TALL / 2 - field.y * 1000 / MM) * MM / 1000
    lon, lat = transform(UTM, "EPSG:4326", east, north)
    return np.array(lat), np.array(lon)


def test_plants_lie_where_they_were_drawn(
    field: Planted, picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    path = write(tmp_path / "f.tif", picture, tags={"TIFFTAG_DATETIME": "2027:05:20 09:00:00"})
    assert is_ortho(path)
    steps: list[tuple[int, int]] = []
    frame, _ = read_ortho(path, network, CALIBRATION, tell=lambda d, t: steps.append((d, t)))
    assert frame.taken_at == "2027-05-20T09:00:00"
    assert frame.scale is not None
    assert frame.scale.source == "geotransform"
    # 0.9996 on the zone's middle meridian: a grid metre is a little more than a metre.
    assert frame.scale.mm_per_px == pytest.approx(MM / 0.9996, rel=2e-4)
    assert frame.plants is not None
    assert len(frame.plants) == pytest.approx(len(field.x), rel=0.02)
    lat, lon = truth_degrees(field)
    from scipy.spatial import cKDTree

    scale = np.array([111_050.0, 83_500.0])
    away, _ = cKDTree(np.column_stack([lat, lon]) * scale).query(
        np.column_stack([frame.plants.lat, frame.plants.lon]) * scale
    )
    assert np.percentile(away, 95) < 0.012
    assert frame.stand is not None
    assert frame.stand.row_spacing_m == pytest.approx(0.762, rel=0.01)
    planted = (field.row >= 0).sum() / (WIDE * TALL * MM**2 / 1e6) * 10_000
    assert frame.stand.per_ha == pytest.approx(planted, rel=0.04)
    assert frame.plants.tip_count.mean() == pytest.approx(TIP_COUNT, abs=0.05)
    assert all(gap.start_lat_lon is not None for gap in frame.gaps)
    assert steps == [(1, 1)]
    assert frame.area_m2 == pytest.approx(WIDE * TALL * MM**2 / 1e6, rel=0.05)


def test_a_mosaic_given_twice_counts_once(
    picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    path = write(tmp_path / "f.tif", picture)
    (tmp_path / "copy.tif").write_bytes(path.read_bytes())
    frames = [read_ortho(tmp_path / f"{one}.tif", network, CALIBRATION)[0] for one in ("f", "copy")]
    assert frames[0].sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    told = gather_field(frames, CALIBRATION)
    assert len(told.frames) == 1
    assert "1 photo was given twice and counts once." in told.reasons


def test_a_mosaic_over_the_180th_meridian_is_as_large_as_elsewhere(
    field: Planted, picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    """The meridian through its middle, by PROJ: UTM zone 60 of the south goes on beyond it."""
    from rasterio.transform import from_origin
    from rasterio.warp import transform

    (east,), (north,) = transform("EPSG:4326", "EPSG:32760", [180.0], [-16.8])
    where = from_origin(east - WIDE * MM / 2000, north, MM / 1000, MM / 1000)
    path = write(tmp_path / "f.tif", picture, crs="EPSG:32760", transform=where)
    frame, _ = read_ortho(path, network, CALIBRATION)
    assert frame.scale is not None
    assert frame.scale.mm_per_px == pytest.approx(MM, rel=2e-3)
    assert frame.plants is not None
    assert len(frame.plants) == pytest.approx(len(field.x), rel=0.03)
    assert np.abs(frame.plants.lon).max() <= 180.0
    assert min((frame.plants.lon > 0).mean(), (frame.plants.lon < 0).mean()) > 0.4


def test_systems_in_degrees_and_stretched_ones_come_out_in_metres(
    field: Planted, picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    """The same field put on the web's Mercator grid and on degrees by GDAL's warp."""
    from rasterio.warp import Resampling, calculate_default_transform, reproject

    source = write(tmp_path / "utm.tif", picture)
    for crs in ("EPSG:3857", "EPSG:4326"):
        with rasterio.open(source) as data:
            where, width, height = calculate_default_transform(
                data.crs, crs, data.width, data.height, *data.bounds
            )
            warped = np.zeros((3, height, width), np.uint8)
            reproject(
                rasterio.band(data, (1, 2, 3)),
                warped,
                dst_transform=where,
                dst_crs=crs,
                resampling=Resampling.bilinear,
            )
        seen = (warped.sum(0) > 0).astype(np.uint8) * 255
        path = write(
            tmp_path / f"{crs[5:]}.tif",
            np.moveaxis(warped, 0, 2),
            mask=seen,
            crs=crs,
            transform=where,
        )
        frame, _ = read_ortho(path, network, CALIBRATION)
        assert frame.stand is not None
        assert frame.stand.row_spacing_m == pytest.approx(0.762, rel=0.015)
        assert frame.stand.spacing_m == pytest.approx(0.16, rel=0.03)
        assert frame.area_m2 == pytest.approx(WIDE * TALL * MM**2 / 1e6, rel=0.05)
        across, down = open_ortho(path).px_mm
        assert across == pytest.approx(MM, rel=0.3)
        if crs == "EPSG:4326":
            assert abs(across / down - 1) > 0.1  # its px aren't square on the ground


def test_blocks_join_without_a_seam_and_a_stopped_run_goes_on(
    picture: np.ndarray,
    network: AboveNetwork,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = write(tmp_path / "f.tif", picture)
    whole, _ = read_ortho(path, network, CALIBRATION)
    monkeypatch.setattr(ortho_module, "BLOCK_PX", 1024)
    assert whole.plants is not None
    keep = tmp_path / "out"
    keep.mkdir()
    blocks = 3 * 2  # 2444 by 1889 px at the working scale
    read: list[int] = []
    original = ortho_module._read_block

    def counted(*words):  # type: ignore[no-untyped-def]
        read.append(1)
        return original(*words)

    monkeypatch.setattr(ortho_module, "_read_block", counted)

    def stop_after_four(done: int, _: int) -> None:
        if done == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_ortho(path, network, CALIBRATION, keep=keep, tell=stop_after_four)
    assert len(read) == 4
    broken = next(keep.glob("blocks-*/2.npz"))
    broken.write_bytes(b"cut short")
    kept: list[int] = []
    frame, _ = read_ortho(
        path,
        network,
        CALIBRATION,
        keep=keep,
        # Until the answer is kept the blocks are.
        done=lambda frame, picture: kept.append(len(list(keep.glob("blocks-*/*.npz")))),
    )
    assert kept == [blocks]
    assert len(read) == blocks + 1
    assert frame.plants is not None
    assert len(frame.plants) == len(whole.plants)
    for name in ("x_m", "y_m"):
        assert sorted(getattr(frame.plants, name)) == pytest.approx(
            sorted(getattr(whole.plants, name)), abs=0.003
        )
    assert frame.plants.tips.sum() == pytest.approx(whole.plants.tips.sum(), rel=0.01)
    assert list(keep.iterdir()) == []


def test_only_ground_inside_the_mask_and_the_field_counts(
    field: Planted, picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    mask = np.full((TALL, WIDE), 255, np.uint8)
    mask[:, : WIDE // 2] = 0
    path = write(tmp_path / "m.tif", np.where(mask[..., None], picture, 0), mask=mask)
    frame, small = read_ortho(path, network, CALIBRATION)
    assert frame.plants is not None
    assert frame.plants.x_m.min() > -0.3
    assert len(frame.plants) == pytest.approx((field.x > 0).sum(), rel=0.06)
    lat, _ = truth_degrees(field)
    middle = float(np.median(lat))
    north, _ = read_ortho(path, network, CALIBRATION, within=lambda lat, lon: lat > middle)
    assert north.plants is not None
    assert len(north.plants) == pytest.approx(len(frame.plants) / 2, rel=0.12)
    assert north.plants.lat.min() > middle - 3e-6
    assert small is not None
    assert max(small.shape) == 2400
    assert small[:, 10].sum() == 0
    assert small[:, -10].sum() > 0
    nothing = write(tmp_path / "n.tif", picture, mask=np.zeros((TALL, WIDE), np.uint8))
    assert "no-plants" in read_ortho(nothing, network, CALIBRATION)[0].quality


@pytest.mark.parametrize("colour", [0, 255])
def test_a_collar_that_no_mask_tells_is_not_ground(
    field: Planted, picture: np.ndarray, network: AboveNetwork, tmp_path: Path, colour: int
) -> None:
    collared = picture.copy()
    collared[:, : WIDE // 2] = colour
    # A glint or a shadow of a few px is no collar.
    collared[800:810, 1800:1810] = colour
    frame, _ = read_ortho(write(tmp_path / "c.tif", collared), network, CALIBRATION)
    assert frame.area_m2 == pytest.approx(WIDE * TALL * MM**2 / 2e6, rel=0.07)
    assert frame.stand is not None
    assert frame.stand.rowless_share == 0.0
    planted = (field.row >= 0).sum() / (WIDE * TALL * MM**2 / 1e6) * 10_000
    assert frame.stand.per_ha == pytest.approx(planted, rel=0.06)


def test_rows_that_the_mosaic_contradicts_are_said_and_not_gone_by(
    picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    path = write(tmp_path / "f.tif", picture)
    measured, _ = read_ortho(path, network, CALIBRATION)
    assert measured.stand is not None
    for wrong, words in ((0.381, "15 in (38 cm)"), (0.9652, "38 in (97 cm)")):
        frame, _ = read_ortho(path, network, CALIBRATION, Stated(row_spacing_m=wrong))
        assert frame.stand == measured.stand
        said = next(one for one in frame.reasons if one.startswith("By the row spacing you gave"))
        assert words in said
        assert "georeference 30 in (76 cm): the orthomosaic's georeference is believed" in said
        assert said.endswith("Check what you stated.")
    right, _ = read_ortho(path, network, CALIBRATION, Stated(row_spacing_m=0.762))
    assert right.reasons == measured.reasons
    assert right.stand is not None
    assert right.stand.row_spacing_m == 0.762


@pytest.mark.parametrize("colour", [LEAF, WEED])
def test_what_the_neighbour_grows_is_not_the_fields_cover(
    picture: np.ndarray, network: AboveNetwork, tmp_path: Path, colour: tuple[int, int, int]
) -> None:
    grown = picture.copy()
    grown[:, 800:] = colour
    path = write(tmp_path / "n.tif", grown)
    whole, _ = read_ortho(path, network, CALIBRATION)
    border = open_ortho(path).lon - (WIDE / 2 - 790) * MM / 1000 / metres_a_degree(41.5)[1]
    own, _ = read_ortho(path, network, CALIBRATION, within=lambda lat, lon: lon < border)
    assert own.plants is not None
    assert own.weed_cover is not None
    assert own.weed_cover < 0.05
    assert not {"closed", "weedy", "not-maize"} & set(own.quality)
    assert {"closed", "weedy", "not-maize"} & set(whole.quality)


def test_fine_mosaics_are_averaged_down(network: AboveNetwork, tmp_path: Path) -> None:
    planted = plant(2.4, 1.8, seed=2)
    fine = draw(planted, 2400, 1800, 1.0)
    where = rasterio.transform.from_origin(EAST, NORTH, 0.001, 0.001)
    path = write(tmp_path / "fine.tif", fine, transform=where)
    frame, _ = read_ortho(path, network, CALIBRATION)
    assert frame.plants is not None
    assert len(frame.plants) == pytest.approx(len(planted.x), abs=2)
    assert frame.stand is not None
    assert frame.stand.row_spacing_m == pytest.approx(0.762, rel=0.03)


def test_a_turned_grid_is_no_trouble(
    field: Planted, picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    from rasterio.transform import from_origin

    where = (
        from_origin(EAST, NORTH, MM / 1000, MM / 1000) @ rasterio.Affine.rotation(30.0)
        if hasattr(rasterio.Affine, "__matmul__")
        else from_origin(EAST, NORTH, MM / 1000, MM / 1000) * rasterio.Affine.rotation(30.0)
    )
    path = write(tmp_path / "turned.tif", picture, transform=where)
    frame, _ = read_ortho(path, network, CALIBRATION)
    assert frame.plants is not None
    assert len(frame.plants) == pytest.approx(len(field.x), rel=0.02)
    assert frame.row_angle_deg is not None
    assert (frame.row_angle_deg - (12.0 - 30.0)) % 180 == pytest.approx(0, abs=0.6) or (
        (frame.row_angle_deg - (12.0 - 30.0)) % 180 == pytest.approx(180, abs=0.6)
    )
    assert frame.area_m2 == pytest.approx(WIDE * TALL * MM**2 / 1e6, rel=0.05)


# --------------------------------------------------------------------------- refused


def test_what_is_no_orthomosaic_is_refused_with_a_sentence(
    picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    part = picture[:256, :256]
    no_place = write(tmp_path / "a.tif", part, crs=None, transform=rasterio.Affine.identity())
    deep = write(tmp_path / "b.tif", part.astype(np.uint16))
    text = tmp_path / "c.tif"
    text.write_bytes(b"II*\x00not a tiff at all")
    five = write_bands(tmp_path / "e.tif", np.concatenate([part, part[..., :2]], 2))
    local = write(tmp_path / "d.tif", part, crs='LOCAL_CS["barn",UNIT["metre",1]]')
    for path, words in (
        (no_place, "where on the earth"),
        (deep, "isn't a colour picture of 8 bits"),
        (text, "can't be read as a GeoTIFF"),
        (tmp_path / "none.tif", "can't be read"),
        (local, "export it in UTM"),
        (five, "has 5 bands and doesn't say which are red, green and blue"),
    ):
        with pytest.raises(OrthoError, match=words):
            read_ortho(path, network, CALIBRATION)


def test_a_file_cut_short_is_said(
    picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    path = write(tmp_path / "whole.tif", picture)
    cut = tmp_path / "cut.tif"
    cut.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(OrthoError, match=r"damaged or cut short|can't be read"):
        read_ortho(cut, network, CALIBRATION)


def test_too_coarse_or_without_a_network_it_keeps_its_place(
    picture: np.ndarray, network: AboveNetwork, tmp_path: Path
) -> None:
    where = rasterio.transform.from_origin(EAST, NORTH, 0.02, 0.02)
    coarse, _ = read_ortho(
        write(tmp_path / "20mm.tif", picture[:300, :300], transform=where), network, CALIBRATION
    )
    assert coarse.quality == ("coarse",)
    assert "20 mm" in coarse.reasons[0]
    none, _ = read_ortho(write(tmp_path / "f.tif", picture), None, CALIBRATION)
    assert none.quality == ("no-network",)
    assert isinstance(none, FrameAbove)
    assert none.georeference is not None


def test_photos_are_told_from_orthomosaics(tmp_path: Path, picture: np.ndarray) -> None:
    from PIL import Image

    Image.fromarray(picture[:100, :100]).save(tmp_path / "photo.tif")
    Image.fromarray(picture[:100, :100]).save(tmp_path / "photo.jpg")
    (tmp_path / "big.tif").write_bytes(b"II+\x00" + bytes(20))
    (tmp_path / "broken.tif").write_bytes(b"II*\x00" + bytes(20))
    for name, answer in (
        ("photo.tif", False),
        ("photo.jpg", False),
        ("big.tif", True),
        ("broken.tif", False),
        ("none.tif", False),
    ):
        assert is_ortho(tmp_path / name) is answer, name


def test_it_says_which_package_is_missing(
    picture: np.ndarray, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    path = write(tmp_path / "f.tif", picture[:256, :256])
    monkeypatch.setitem(sys.modules, "rasterio", None)
    with pytest.raises(OrthoError, match=r"collarvision\[ortho\]"):
        open_ortho(path)

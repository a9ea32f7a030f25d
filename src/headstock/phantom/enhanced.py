"""A phantom's CT or MR as one enhanced multi-frame object: every slice a frame of one file.

In: a `PhantomScan` or a `PhantomMr`. Out: (name, bytes). What all frames share lies in the shared functional groups,
places and order in those of each frame; frames may be stored in any order, as some systems do.
Source: Enhanced CT and MR Image IODs, DICOM PS3.3 A.38 and A.36; functional groups, C.7.6.16.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from headstock.errors import FrameError
from headstock.phantom.mr import PhantomMr
from headstock.phantom.scan import PhantomScan
from headstock.phantom.series import Sender, bytes_of, cosines, numbers, sent_by, uid

__all__ = ["enhanced_file"]

_CT: Final = "1.2.840.10008.5.1.4.1.1.2.1"
_MR: Final = "1.2.840.10008.5.1.4.1.1.4.1"
_CT_SERIES: Final = 2  # numbers of the series within the sender's study
_MR_SERIES: Final = 3
_FRAME_S: Final = 0.5  # of each frame of this invented machine
_TYPE: Final = ["ORIGINAL", "PRIMARY", "VOLUME", "NONE"]


def enhanced_file(
    found: PhantomScan | PhantomMr, sender: Sender | None = None, *, order: Sequence[int] | None = None
) -> tuple[str, bytes]:
    """One object that holds the whole series; `order`: which slice each stored frame is, None: as on the grid.

    Raises
    ------
    FrameError
        `order` does not name every slice once.
    """
    from pydicom.uid import UID

    sender = sender or Sender()
    count = found.grid.shape[0]
    order = list(range(count)) if order is None else [int(k) for k in order]
    if sorted(order) != list(range(count)):
        raise FrameError(
            f"The order names {len(order)} frames, not each of the {count} slices once. Give a permutation of 0 to "
            f"{count - 1}."
        )
    mr = isinstance(found, PhantomMr)
    number = _MR_SERIES if mr else _CT_SERIES
    data = sent_by(sender, UID(_MR if mr else _CT), series=number, instance=1)
    _describe(data, found, sender, number)
    shared = _mr_shared(found) if isinstance(found, PhantomMr) else _ct_shared(found, sender)
    data.SharedFunctionalGroupsSequence = [shared]
    data.PerFrameFunctionalGroupsSequence = [_frame(found, sender, k) for k in order]
    values = np.asarray(found.values)[order]
    data.NumberOfFrames, data.Rows, data.Columns = values.shape
    data.PixelData = np.ascontiguousarray(values, "<u2" if mr else "<i2").tobytes()
    return f"{'mr' if mr else 'ct'}/enhanced.dcm", bytes_of(data)


def _item(**elements: Any) -> Any:
    from pydicom.dataset import Dataset

    one = Dataset()
    for keyword, value in elements.items():
        setattr(one, keyword, value)
    return one


def _code(value: str, scheme: str, meaning: str) -> list[Any]:
    return [_item(CodeValue=value, CodingSchemeDesignator=scheme, CodeMeaning=meaning)]


def _describe(data: Any, found: PhantomScan | PhantomMr, sender: Sender, number: int) -> None:
    """What the object says outside the functional groups."""
    mr = isinstance(found, PhantomMr)
    data.SeriesNumber, data.Modality = str(number), "MR" if mr else "CT"
    data.SeriesDescription = "MR HIP T1" if mr else "CT HIP"
    data.ManufacturerModelName, data.DeviceSerialNumber, data.SoftwareVersions = "simulated", "1", "1"
    data.ImageType = _TYPE
    data.AcquisitionDateTime, data.AcquisitionDuration = f"{sender.taken}101500", _FRAME_S * found.grid.shape[0]
    data.PixelPresentation, data.VolumetricProperties = "MONOCHROME", "VOLUME"
    data.VolumeBasedCalculationTechnique = "NONE"
    data.ContentQualification, data.BurnedInAnnotation = "RESEARCH", "NO"
    data.LossyImageCompression, data.PresentationLUTShape = "00", "IDENTITY"
    data.ContentTime, data.SeriesTime = "101500", "101500"
    data.AcquisitionContextSequence = []
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 16, 15, 1
    if isinstance(found, PhantomMr):
        # Signals are 0 to 4095.
        data.BitsStored, data.HighBit, data.PixelRepresentation = 12, 11, 0
        data.ComplexImageComponent, data.AcquisitionContrast = "MAGNITUDE", "T1"
        data.ResonantNucleus, data.KSpaceFiltering, data.MagneticFieldStrength = "1H", "NONE", 1.5
        data.ApplicableSafetyStandardAgency = "IEC"
        _pulses(data)
    stack = uid(sender, 9, number)
    data.DimensionOrganizationType = "3D"
    data.DimensionOrganizationSequence = [_item(DimensionOrganizationUID=stack)]
    data.DimensionIndexSequence = [
        _item(DimensionOrganizationUID=stack, DimensionIndexPointer=tag, FunctionalGroupPointer=0x00209111)
        for tag in (0x00209056, 0x00209057)  # stack, place in it: frame content
    ]


def _pulses(data: Any) -> None:
    """A plain two-dimensional spin echo."""
    data.PulseSequenceName, data.MRAcquisitionType, data.EchoPulseSequence = "SE", "2D", "SPIN"
    data.MultipleSpinEcho = data.MultiPlanarExcitation = data.PhaseContrast = data.TimeOfFlightContrast = "NO"
    data.EchoPlanarPulseSequence = data.SaturationRecovery = "NO"
    data.SteadyStatePulseSequence = data.SpectrallySelectedSuppression = data.OversamplingPhase = "NONE"
    data.GeometryOfKSpaceTraversal, data.SegmentedKSpaceTraversal = "RECTILINEAR", "SINGLE"
    data.RectilinearPhaseEncodeReordering, data.NumberOfKSpaceTrajectories = "LINEAR", 1


def _places(found: PhantomScan | PhantomMr) -> dict[str, Any]:
    """Measures, orientation and region that all frames share."""
    grid = found.grid
    return {
        "PixelMeasuresSequence": [
            _item(PixelSpacing=numbers(grid.spacing_mm[1::-1]), SliceThickness=numbers(grid.spacing_mm[2:])[0])
        ],
        "PlaneOrientationSequence": [_item(ImageOrientationPatient=cosines(grid.axes[:, :2].T.ravel()))],
        "FrameAnatomySequence": [
            _item(
                FrameLaterality=found.spec.side.value[0].upper(),
                AnatomicRegionSequence=_code("29836001", "SCT", "Hip"),
            )
        ],
    }


def _ct_shared(found: PhantomScan, sender: Sender) -> Any:
    spacing = found.grid.spacing_mm
    middle = [float(v) for v in found.grid.points(0.5 * (np.array(found.grid.shape[::-1]) - 1.0))]
    size = [float(n * s) for n, s in zip(found.grid.shape[::-1], spacing, strict=True)]
    return _item(
        **_places(found),
        PixelValueTransformationSequence=[_item(RescaleIntercept="0", RescaleSlope="1", RescaleType="HU")],
        CTImageFrameTypeSequence=[_frame_type()],
        CTAcquisitionTypeSequence=[_item(AcquisitionType="SEQUENCED", ConstantVolumeFlag="NO", FluoroscopyFlag="NO")],
        CTAcquisitionDetailsSequence=[
            _item(
                RotationDirection="CW",
                RevolutionTime=_FRAME_S,
                SingleCollimationWidth=float(spacing[2]),
                TotalCollimationWidth=float(spacing[2]),
                TableHeight=0.0,
                GantryDetectorTilt="0",
                DataCollectionDiameter="500",
            )
        ],
        CTTableDynamicsSequence=[_item(TableFeedPerRotation=float(spacing[2]))],
        CTPositionSequence=[
            _item(TablePosition=0.0, ReconstructionTargetCenterPatient=middle, DataCollectionCenterPatient=middle)
        ],
        IrradiationEventIdentificationSequence=[_item(IrradiationEventUID=uid(sender, 8, _CT_SERIES))],
        CTGeometrySequence=[_item(DistanceSourceToDetector="1000", DistanceSourceToDataCollectionCenter=550.0)],
        CTReconstructionSequence=[
            _item(
                ReconstructionAlgorithm="FILTER_BACK_PROJ",
                ConvolutionKernel="BONE",
                ConvolutionKernelGroup="BONE",
                ReconstructionFieldOfView=size[:2],
                ReconstructionPixelSpacing=[float(v) for v in spacing[1::-1]],
                ReconstructionAngle=360.0,
                ImageFilter="NONE",
            )
        ],
        CTExposureSequence=[
            _item(ExposureTimeInms=500.0, XRayTubeCurrentInmA=200.0, ExposureInmAs=100.0, ExposureModulationType="NONE")
        ],
        CTXRayDetailsSequence=[_item(KVP="120", FocalSpots=[1.0], FilterType="FLAT", FilterMaterial="ALUMINUM")],
    )


def _frame_type() -> Any:
    return _item(
        FrameType=_TYPE,
        PixelPresentation="MONOCHROME",
        VolumetricProperties="VOLUME",
        VolumeBasedCalculationTechnique="NONE",
    )


def _mr_shared(found: PhantomMr) -> Any:
    _, rows, columns = found.grid.shape
    kind = _frame_type()
    kind.ComplexImageComponent, kind.AcquisitionContrast = "MAGNITUDE", "T1"
    return _item(
        **_places(found),
        PixelValueTransformationSequence=[_item(RescaleIntercept="0", RescaleSlope="1", RescaleType="US")],
        MRImageFrameTypeSequence=[kind],
        MRTimingAndRelatedParametersSequence=[
            _item(
                RepetitionTime="600",
                FlipAngle="90",
                EchoTrainLength="1",
                RFEchoTrainLength=1,
                GradientEchoTrainLength=0,
                SpecificAbsorptionRateSequence=[
                    _item(SpecificAbsorptionRateDefinition="IEC_WHOLE_BODY", SpecificAbsorptionRateValue=0.5)
                ],
                OperatingModeSequence=[_item(OperatingModeType="RF", OperatingMode="IEC_NORMAL")],
            )
        ],
        MREchoSequence=[_item(EffectiveEchoTime=12.0)],
        MRModifierSequence=[
            _item(
                InversionRecovery="NO",
                FlowCompensation="NONE",
                Spoiling="NONE",
                T2Preparation="NO",
                SpectrallySelectedExcitation="NONE",
                SpatialPresaturation="NONE",
                PartialFourier="NO",
                ParallelAcquisition="NO",
            )
        ],
        MRImagingModifierSequence=[
            _item(
                MagnetizationTransfer="NONE",
                BloodSignalNulling="NO",
                Tagging="NONE",
                TransmitterFrequency=63.87,
                PixelBandwidth="200",
            )
        ],
        MRReceiveCoilSequence=[
            _item(
                ReceiveCoilName="BODY",
                ReceiveCoilManufacturerName="simulated",
                ReceiveCoilType="BODY",
                QuadratureReceiveCoil="YES",
            )
        ],
        MRTransmitCoilSequence=[
            _item(TransmitCoilName="BODY", TransmitCoilManufacturerName="simulated", TransmitCoilType="BODY")
        ],
        MRAveragesSequence=[_item(NumberOfAverages="1")],
        MRFOVGeometrySequence=[
            _item(
                InPlanePhaseEncodingDirection="ROW",
                MRAcquisitionFrequencyEncodingSteps=rows,
                MRAcquisitionPhaseEncodingStepsInPlane=columns,
                PercentSampling="100",
                PercentPhaseFieldOfView="100",
            )
        ],
    )


def _frame(found: PhantomScan | PhantomMr, sender: Sender, k: int) -> Any:
    """Groups of the frame that is slice `k` of the grid."""
    minutes, seconds = divmod(_FRAME_S * k, 60.0)
    at = f"{sender.taken}10{15 + int(minutes):02d}{seconds:04.1f}"
    place = found.grid.points(np.array([0.0, 0.0, float(k)]))
    return _item(
        FrameContentSequence=[
            _item(
                FrameAcquisitionNumber=1,
                FrameReferenceDateTime=at,
                FrameAcquisitionDateTime=at,
                FrameAcquisitionDuration=1000.0 * _FRAME_S,
                StackID="1",
                InStackPositionNumber=k + 1,
                DimensionIndexValues=[1, k + 1],
            )
        ],
        PlanePositionSequence=[_item(ImagePositionPatient=numbers(place))],
    )

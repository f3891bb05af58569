"""The allow-list: every header element that may stay, and what is done to it. Everything else is removed.

What stays is what measuring needs (pixels, geometry, positioning, exposure and dose, the scanner's model)
and what the standard demands of a file. No element that table E.1-1 of DICOM PS3.15 names keeps its
value. No free text about the patient, the examination or the place is on the list.
"""

from __future__ import annotations

from pydicom.datadict import tag_for_keyword


def _tags(words: str) -> dict[int, str]:
    """Tag → keyword."""
    return {int(tag_for_keyword(keyword) or 0): keyword for keyword in words.split()}


#: The value stays if it looks as its VR says: a coded word, a number, a short text of letters.
KEPT = _tags("""
    ImageType SOPClassUID Modality ConversionType PresentationIntentType Manufacturer ManufacturerModelName
    BodyPartExamined ScanOptions SliceThickness KVP DataCollectionDiameter ReconstructionDiameter
    DistanceSourceToDetector DistanceSourceToPatient EstimatedRadiographicMagnificationFactor
    GantryDetectorTilt TableHeight RotationDirection ExposureTime XRayTubeCurrent Exposure ExposureInuAs
    ExposureTimeInuS XRayTubeCurrentInuA FilterType TypeOfFilters FilterMaterial FilterThicknessMinimum
    FilterThicknessMaximum GeneratorPower FocalSpots AnodeTargetMaterial ImagerPixelSpacing Grid
    ConvolutionKernel PatientPosition ViewPosition Sensitivity DetectorType DetectorConfiguration
    DetectorActiveShape DetectorActiveDimensions DetectorActiveOrigin DetectorElementPhysicalSize
    DetectorElementSpacing DetectorBinning PositionerType PositionerPrimaryAngle PositionerSecondaryAngle
    DetectorPrimaryAngle DetectorSecondaryAngle ColumnAngulation TableAngle TableType BodyPartThickness
    CollimatorShape CollimatorLeftVerticalEdge CollimatorRightVerticalEdge CollimatorUpperHorizontalEdge
    CollimatorLowerHorizontalEdge CenterOfCircularCollimator RadiusOfCircularCollimator
    VerticesOfThePolygonalCollimator ShutterShape ShutterLeftVerticalEdge ShutterRightVerticalEdge
    ShutterUpperHorizontalEdge ShutterLowerHorizontalEdge FieldOfViewShape FieldOfViewDimensions
    FieldOfViewOrigin FieldOfViewRotation FieldOfViewHorizontalFlip ExposureControlMode ExposureStatus
    ImageAndFluoroscopyAreaDoseProduct EntranceDose EntranceDoseInmGy RelativeXRayExposure ExposureIndex
    TargetExposureIndex DeviationIndex RescaleType SingleCollimationWidth TotalCollimationWidth TableSpeed
    TableFeedPerRotation SpiralPitchFactor RevolutionTime CTDIvol EstimatedDoseSaving
    ExposureModulationType AcquisitionType ReconstructionAlgorithm NominalScannedPixelSpacing
    SeriesNumber AcquisitionNumber InstanceNumber PatientOrientation ImagePositionPatient
    ImageOrientationPatient Laterality ImageLaterality SliceLocation
    SamplesPerPixel PhotometricInterpretation NumberOfFrames Rows Columns PixelSpacing PixelAspectRatio
    BitsAllocated BitsStored HighBit PixelRepresentation QualityControlImage BurnedInAnnotation
    PixelSpacingCalibrationType PixelIntensityRelationship PixelIntensityRelationshipSign
    PixelPaddingValue PixelPaddingRangeLimit WindowCenter WindowWidth RescaleIntercept RescaleSlope
    VOILUTFunction LossyImageCompression LossyImageCompressionRatio LossyImageCompressionMethod
    PresentationLUTShape
""")  # fmt: skip

#: Replaced by an identifier that only the key's secret can lead back to.
REMAPPED = _tags("SOPInstanceUID StudyInstanceUID SeriesInstanceUID FrameOfReferenceUID")

#: Moved by the patient's secret number of days. Times of day are removed.
SHIFTED = _tags("StudyDate SeriesDate AcquisitionDate ContentDate AcquisitionDateTime")

#: Left empty where it was there: the standard wants the element, nobody needs its value.
EMPTIED = _tags("""
    StudyTime ContentTime AccessionNumber ReferringPhysicianName PatientBirthDate PatientSex StudyID
    PositionReferenceIndicator AcquisitionContextSequence
""")

#: Sequences of codes; of an item only a code of a public coding scheme stays.
CODED = _tags("""
    AnatomicRegionSequence AnatomicRegionModifierSequence ViewCodeSequence ViewModifierCodeSequence
    PatientOrientationCodeSequence PatientOrientationModifierCodeSequence
    PatientGantryRelationshipCodeSequence CTDIPhantomTypeCodeSequence
""")

#: Lookup tables, of which the entries stay.
LOOKUP = _tags("ModalityLUTSequence VOILUTSequence")

#: Every element that a written file may have.
OURS = frozenset(
    KEPT | REMAPPED | SHIFTED | EMPTIED | CODED | LOOKUP | _tags("""
    PatientName PatientID PatientIdentityRemoved DeidentificationMethod DeidentificationMethodCodeSequence
    LongitudinalTemporalInformationModified PixelData
""")
)  # fmt: skip

#: Images that are known to be a plain picture: radiographs and CT. A report, an overlay on an image
#: or a document may hold anything.
ALLOWED_CLASSES = {
    "1.2.840.10008.5.1.4.1.1.1": "computed radiography",
    "1.2.840.10008.5.1.4.1.1.1.1": "digital X-ray for presentation",
    "1.2.840.10008.5.1.4.1.1.1.1.1": "digital X-ray for processing",
    "1.2.840.10008.5.1.4.1.1.2": "computed tomography",
    "1.2.840.10008.5.1.4.1.1.7": "secondary capture",
    "1.2.840.10008.5.1.4.1.1.7.2": "grey 8-bit secondary capture",
    "1.2.840.10008.5.1.4.1.1.7.3": "grey 16-bit secondary capture",
}

# Types of the public names; __init__.py loads each of them when it is first used.

from sleepagree.errors import InputError as InputError
from sleepagree.errors import SleepAgreeError as SleepAgreeError
from sleepagree.hypnogram.align import Outside as Outside
from sleepagree.hypnogram.align import PairedNight as PairedNight
from sleepagree.hypnogram.align import align as align
from sleepagree.hypnogram.spans import ScoredSpans as ScoredSpans
from sleepagree.hypnogram.window import Window as Window
from sleepagree.hypnogram.window import WindowRule as WindowRule
from sleepagree.inference.estimate import Estimate as Estimate
from sleepagree.inference.limits import fit_limits_of_agreement as fit_limits_of_agreement
from sleepagree.mapping.files import find_mapping as find_mapping
from sleepagree.mapping.files import read_mapping as read_mapping
from sleepagree.mapping.mapping import StageMapping as StageMapping
from sleepagree.night.compare import NightAgreement as NightAgreement
from sleepagree.night.compare import compare as compare
from sleepagree.night.mappings import compare_mappings as compare_mappings
from sleepagree.readers import read_spans as read_spans
from sleepagree.readers.layout import read_layout as read_layout
from sleepagree.readers.memory import read_hypnogram as read_hypnogram
from sleepagree.study.correction import CorrectedNight as CorrectedNight
from sleepagree.study.correction import Correction as Correction
from sleepagree.study.correction_file import read_correction as read_correction
from sleepagree.study.correction_learning import learn_correction as learn_correction
from sleepagree.study.epoch_scores import AgreementScore as AgreementScore
from sleepagree.study.epoch_scores import agreement_score as agreement_score
from sleepagree.study.execution import Execution as Execution
from sleepagree.study.from_table import score_table as score_table
from sleepagree.study.night_summary import NightSummary as NightSummary
from sleepagree.study.night_summary import Refusal as Refusal
from sleepagree.study.night_summary import summarise_night as summarise_night
from sleepagree.study.run import ScoringOptions as ScoringOptions
from sleepagree.study.summarise import StudyAgreement as StudyAgreement
from sleepagree.study.summarise import StudyOptions as StudyOptions
from sleepagree.study.summarise import summarise_study as summarise_study
from sleepagree.study.table import read_nights_table as read_nights_table

__version__: str

def show_result(result: object, view: str, *arguments: object) -> object: ...

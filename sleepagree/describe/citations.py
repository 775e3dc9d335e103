"""Published sources of the methods, by the key that the code that uses them goes by."""

from __future__ import annotations

from typing import Final

SOURCES: Final[dict[str, str]] = {
    "aasm": (
        "Iber C, Ancoli-Israel S, Chesson A, Quan SF. The AASM Manual for the Scoring of Sleep and Associated "
        "Events. American Academy of Sleep Medicine, 2007."
    ),
    "rechtschaffen_kales": (
        "Rechtschaffen A, Kales A, editors. A manual of standardized terminology, techniques and scoring system "
        "for sleep stages of human subjects. 1968."
    ),
    "kappa": "Cohen J. A coefficient of agreement for nominal scales. Educ Psychol Meas 1960;20:37-46.",
    "kappa_interval": (
        "Fleiss JL, Cohen J, Everitt BS. Large sample standard errors of kappa and weighted kappa. Psychol Bull "
        "1969;72:323-327."
    ),
    "positive_sequence": "Geyer CJ. Practical Markov chain Monte Carlo. Stat Sci 1992;7:473-483.",
    "even_chance": (
        "Brennan RL, Prediger DJ. Coefficient kappa: some uses, misuses, and alternatives. Educ Psychol Meas "
        "1981;41:687-699."
    ),
    "pabak": "Byrt T, Bishop J, Carlin JB. Bias, prevalence and kappa. J Clin Epidemiol 1993;46:423-429.",
    "ac1": (
        "Gwet KL. Computing inter-rater reliability and its variance in the presence of high agreement. Br J Math "
        "Stat Psychol 2008;61:29-48."
    ),
    "mcc": (
        "Gorodkin J. Comparing two K-category assignments by a K-category correlation coefficient. Comput Biol "
        "Chem 2004;28:367-374."
    ),
    "wilson": (
        "Wilson EB. Probable inference, the law of succession, and statistical inference. J Am Stat Assoc "
        "1927;22:209-212."
    ),
    "clusters": ("Davison AC, Hinkley DV. Bootstrap Methods and their Application. Cambridge University Press, 1997."),
    "expanded_percentile": (
        "Hesterberg TC. What teachers should know about the bootstrap: resampling in the undergraduate statistics "
        "curriculum. Am Stat 2015;69:371-386."
    ),
    "bootstrap_t": "DiCiccio TJ, Efron B. Bootstrap confidence intervals. Stat Sci 1996;11:189-228.",
    "logit_interval": (
        "Brown LD, Cai TT, DasGupta A. Interval estimation for a binomial proportion. Stat Sci 2001;16:101-133."
    ),
    "clustered_kappa": "Yang Z, Zhou M. Kappa statistic for clustered matched-pair data. Stat Med 2014;33:2612.",
    "limits": (
        "Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of clinical "
        "measurement. Lancet 1986;327:307-310."
    ),
    "limits_1999": (
        "Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med Res 1999;8:135-160."
    ),
    "limits_repeated": (
        "Bland JM, Altman DG. Agreement between methods of measurement with multiple observations per individual. "
        "J Biopharm Stat 2007;17:571-582."
    ),
    "mover": (
        "Zou GY. Confidence interval estimation for the Bland-Altman limits of agreement with multiple observations "
        "per individual. Stat Methods Med Res 2013;22:630-642."
    ),
    "exact_limits": (
        "Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom Vis Sci "
        "2015;92:e71-e80."
    ),
    "exact_limits_2018": (
        "Shieh G. The appropriateness of Bland-Altman's approximate confidence intervals for limits of agreement. "
        "BMC Med Res Methodol 2018;18:45."
    ),
    "slopes": (
        "Bell RM, McCaffrey DF. Bias reduction in standard errors for linear regression with multi-stage samples. "
        "Survey Methodology 2002;28:169-181."
    ),
    "icc": (
        "McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. Psychol Methods "
        "1996;1:30-46."
    ),
    "ccc": ("Lin LI. A concordance correlation coefficient to evaluate reproducibility. Biometrics 1989;45:255-268."),
    "two_tests": (
        "Schuirmann DJ. A comparison of the two one-sided tests procedure and the power approach for assessing the "
        "equivalence of average bioavailability. J Pharmacokinet Biopharm 1987;15:657-680."
    ),
}


class Citations:
    """Numbers for sources in the order in which a text uses them."""

    def __init__(self) -> None:
        self._keys: list[str] = []

    def mark(self, *keys: str) -> str:
        """Return the numbers of these sources as they stand in a text.

        Raises
        ------
        KeyError
            When a source is not known.

        Examples
        --------
        >>> cited = Citations()
        >>> cited.mark("kappa"), cited.mark("wilson", "kappa"), len(cited.sources)
        ('[1]', '[2, 1]', 2)
        """
        for key in keys:
            if key not in SOURCES:
                raise KeyError(key)
            if key not in self._keys:
                self._keys.append(key)
        return "[" + ", ".join(str(self._keys.index(key) + 1) for key in keys) + "]"

    @property
    def sources(self) -> tuple[str, ...]:
        """The sources that were used, in the order of their numbers."""
        return tuple(SOURCES[key] for key in self._keys)

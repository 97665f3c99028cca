// Package learn compares what runs really took with what the physical model predicted, for each device, operation and
// mode, and answers with a distribution: how long the next run will take, and how sure that is.
//
// What is learned is the log-ratio y = ln((actual - stopped) / predicted) of a run. The last 128 ratios of a key are kept.
// From them, in order:
//
//  1. Change. The Pettitt test looks for the run at which the device changed: with ranks R, U(t) = 2*sum(R[1..t]) - t(n+1),
//     K = max |U(t)|, p = 2 exp(-6K^2/(n^3+n^2)) (A. N. Pettitt, Applied Statistics 28, 1979, 126-135). Where p < 0.001
//     only the runs after the change count, and they are looked at again.
//  2. Accidents. A run is set aside if it is farther from the median than a factor of 2 and than 4 robust standard
//     deviations; one of those is 1.4826*MAD (P. J. Rousseeuw, C. Croux, JASA 88, 1993, 1273-1283), shrunk towards what is
//     assumed. If more than a quarter (of 5 runs or more, at least one) would go, it is no accident but a second way of
//     working, and all stay.
//  3. Few runs. With n runs of mean m and sum of squares S about it, the next one is Student t with nu = nu0+n-1 degrees
//     of freedom, location (k0*m0 + n*m)/(k0+n) and scale s*sqrt(1 + 1/(k0+n)), where s^2 = (nu0*s0^2 + S)/nu and
//     k0 = s^2/tau^2: the predictive distribution of a normal sample with a conjugate prior (A. Gelman et al., Bayesian Data
//     Analysis, 3rd ed., section 3.3), k0 being taken from the spread found. The prior N(m0, tau^2) comes from the
//     nearest relatives of which two are well known: the device's other modes in this operation, or other devices in it.
//     Where there are not so many, from these, the device's other operations, or what is assumed of the operation,
//     whichever has the least variance, tau^2*(1 + 1/relatives). s0 is that of the operation. The shares of tau^2 and the
//     assumed spreads are our own choice, no source.
//  4. Many runs. The u-quantile is the order statistic at position u(n+1), interpolated; the next run lies below it with
//     probability u whatever the distribution (H. A. David, H. N. Nagaraja, Order Statistics, 3rd ed., section 7.3; type 6
//     of R. J. Hyndman, Y. Fan, American Statistician 50, 1996, 361-365). Beyond the extremes a normal tail is attached.
//     From 16 to 48 runs the answer passes linearly from 3 to 4.
//
// The model holds integers only, every answer is a function of what it holds, and no sum depends on the order in which
// it was formed: a model that was restored answers as one that has seen everything. The last digit of an answer may
// differ between processor architectures (math.Log and math.Exp do); what is held does not.
//
// The package never reads a clock, starts nothing and knows no chance: whoever samples brings the u. It does not say
// what a run should take; that is package duration's. A Model is not safe for concurrent use, not even to read.
package learn

// Package stats holds the statistics that the judgement rests on. Every function is pure: the same input gives the same
// output, to the bit, and what draws at random draws from a generator that the caller seeds.
//
// No answer is ever NaN or infinite. Where a figure is not defined for the data at hand (nothing varies, there is too
// little, what is compared never meets) the answer says so, and its doc comment says when.
//
// Ease is rated on few steps, so ties are the rule: every method here is the one that allows for them. Input that holds a
// NaN or an infinity is the caller's error, and panics.
package stats

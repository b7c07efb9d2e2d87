// Package chart draws what replay and sweep found, as SVG: a watched channel
// against its limits and cautions with the trips marked, and a sweep's trips
// and detection times over its values.
//
// It promises that nothing is told by colour alone, that spikes are never
// smoothed away, and that a stretch without values is left open. It works
// nothing out: limits, values and trips are those of the engine. It never opens
// a file.
package chart

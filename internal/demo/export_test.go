package demo

// FillFirst is Fill up to a number of jobs.
var FillFirst = fillFirst

package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/httpkit"
	"nextprobe/internal/learning"
	"nextprobe/internal/shop"
)

func (h *handlers) getLearning(c echo.Context) error {
	v, err := h.svc.Learned(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, Learning{
		LibraryVersion: libraryVersion(v.Library), State: v.State, Jobs: v.Jobs, Weight: v.Weight, AsOf: utc(v.AsOf),
		Waiting: v.Queue.Waiting, Failed: v.Queue.Failed, Items: listOf(v.Numbers, learnedNumber), Decisions: listOf(v.Decisions, learningDecision),
		Lessons: listOf(v.Lessons, func(l shop.JobLesson) JobLesson {
			return JobLesson{JobID: l.JobID, JobNumber: l.JobNumber, Verdict: JobLessonVerdict(l.Verdict), LaterJob: l.LaterJob, ReturnedAt: l.On.UTC(), JudgedAt: l.At.UTC()}
		}),
	})
}

func (h *handlers) rebuildLearning(c echo.Context) error {
	r, err := h.svc.RebuildLearning(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, LearningRebuild{Lessons: r.Lessons, Moved: r.Moved})
}

func (h *handlers) acceptLearned(c echo.Context) error { return h.decideLearned(c, true) }
func (h *handlers) rejectLearned(c echo.Context) error { return h.decideLearned(c, false) }

func (h *handlers) decideLearned(c echo.Context, accept bool) error {
	subject, err := pathText(c, "subject")
	if err != nil {
		return err
	}
	var in WaiverInput
	if err := httpkit.DecodeJSON(c, &in); err != nil {
		return err
	}
	d, err := h.svc.DecideLearned(c.Request().Context(), actorOf(c), subject, accept, in.Reason)
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, learningDecision(d))
}

func (h *handlers) getCalibration(c echo.Context) error {
	v, err := h.svc.Calibration(c.Request().Context(), actorOf(c))
	if err != nil {
		return err
	}
	return answer(c, http.StatusOK, Calibration{
		Jobs: v.Jobs, LeftOut: v.LeftOut, Missed: v.Missed, Forecasts: v.N, BaseRate: v.BaseRate, MeanForecast: v.MeanForecast,
		Brier: v.Brier, BrierBase: v.BrierBase, Skill: v.Skill, Log: v.Log, LogBase: v.LogBase, LogSkill: v.LogSkill,
		Reliability: v.Reliability, Resolution: v.Resolution, Uncertainty: v.Uncertainty, Within: v.Within,
		Leading: LeadingCause{Jobs: v.Leading.Jobs, Right: v.Leading.Right, MeanForecast: v.Leading.MeanForecast, Lower: v.Leading.Lower, Upper: v.Leading.Upper},
		Bins: listOf(v.Bins, func(b learning.Bin) CalibrationBin {
			return CalibrationBin{Low: b.Low, High: b.High, Forecasts: b.N, Happened: b.Happened, Mean: b.Mean, Rate: b.Rate, Lower: b.Lower, Upper: b.Upper}
		}),
	})
}

func learnedNumber(n shop.LearnedNumber) LearnedNumber {
	return LearnedNumber{
		Subject: n.Subject, Cause: n.Cause, CauseName: n.CauseName, Finding: orNull(n.Finding), FindingName: orNull(n.FindingName),
		Status: LearnedNumberStatus(n.Status), Jobs: n.Jobs, Change: n.Change,
		Levels: listOf(n.Levels, func(l learning.Level) LearnedLevel {
			return LearnedLevel{Level: l.Name, Expert: l.Expert, Learned: l.Learned, Lower: l.Lower, Upper: l.Upper, Used: l.Used}
		}),
		From: listOf(n.From, func(s shop.LessonShare) LessonShare {
			return LessonShare{JobID: s.JobID, JobNumber: s.JobNumber, Share: s.Share}
		}),
	}
}

func learningDecision(d shop.LearningDecision) LearningDecision {
	return LearningDecision{
		ID: d.ID, Subject: d.Subject, Accepted: d.Accepted, Levels: d.Levels, Expert: d.Expert, Learned: d.Learned, Jobs: d.Jobs,
		Reason: d.Reason, At: d.At.UTC(), By: d.By,
	}
}

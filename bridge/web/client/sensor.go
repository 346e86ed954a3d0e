package client

import (
	"context"
	"net/http"
	"net/url"

	"gillkeeper/bridge/web/api"
)

func sensorPath(chamber, sensor, what string) string {
	return "/chambers/" + url.PathEscape(chamber) + "/sensors/" + url.PathEscape(sensor) + "/" + what
}

// Sensors gives every sensor of a chamber.
func (c *Client) Sensors(ctx context.Context, chamber string) (api.Sensors, error) {
	return get[api.Sensors](ctx, c, "/chambers/"+url.PathEscape(chamber)+"/sensors")
}

// Calibrate corrects a sensor from now on.
func (c *Client) Calibrate(ctx context.Context, chamber, sensor string, a api.Calibrate) (api.Done, error) {
	return c.act(ctx, sensorPath(chamber, sensor, "calibration"), a)
}

// ClearCalibration leaves a sensor as it is made.
func (c *Client) ClearCalibration(ctx context.Context, chamber, sensor string) (api.Done, error) {
	return c.send(ctx, http.MethodDelete, sensorPath(chamber, sensor, "calibration"), nil)
}

// SetAside has a sensor watched and not used for a while, or takes it back.
func (c *Client) SetAside(ctx context.Context, chamber, sensor string, a api.SetAside) (api.Done, error) {
	return c.act(ctx, sensorPath(chamber, sensor, "aside"), a)
}

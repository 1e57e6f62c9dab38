//go:build !linux

package modbus

import "errors"

func tiocsrs485(int, *serialRS485) error { return errors.ErrUnsupported }

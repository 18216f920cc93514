#include "granary/sun.h"

#include <math.h>

static const double pi = 3.14159265358979323846;

/* Terrestrial time less Unix time in the years that matter (2000: 64 s, 2025: 69 s); ten seconds more or less
 * move the sun by 0.0001 degrees. */
static const double delta_t_s = 69;

static double radians(double degrees)
{
    return degrees * (pi / 180);
}

static double degrees(double angle)
{
    return angle * (180 / pi);
}

/* The sun among the stars, in radians; `nutation` is that in longitude. */
struct apparent_place {
    double longitude, obliquity, nutation, distance_au;
};

/* Meeus, Astronomical Algorithms 2nd ed., chapter 25 (equations 25.2 to 25.8), T in Julian centuries of TT
 * since 2000. */
static struct apparent_place find_place(double t)
{
    double mean_longitude = 280.46646 + t * (36000.76983 + t * 0.0003032);
    double mean_anomaly = radians(fmod(357.52911 + t * (35999.05029 - t * 0.0001537), 360));
    double eccentricity = 0.016708634 - t * (0.000042037 + t * 0.0000001267);
    double centre = (1.914602 - t * (0.004817 + t * 0.000014)) * sin(mean_anomaly) +
                    (0.019993 - t * 0.000101) * sin(2 * mean_anomaly) + 0.000289 * sin(3 * mean_anomaly);
    double node = radians(fmod(125.04 - 1934.136 * t, 360));
    double nutation = -0.00478 * sin(node);
    double aberration = -0.00569;
    return (struct apparent_place){
        .longitude = radians(fmod(mean_longitude + centre + aberration + nutation, 360)),
        .obliquity = radians(23.4392911 - t * 0.0130042 + 0.00256 * cos(node)),
        .nutation = radians(nutation),
        .distance_au = 1.000001018 * (1 - eccentricity * eccentricity) /
                       (1 + eccentricity * cos(mean_anomaly + radians(centre))),
    };
}

/* Apparent sidereal time at Greenwich, radians; equation 12.4, days of UT since 2000-01-01 12:00. */
static double sidereal_time(double days, const struct apparent_place *place)
{
    double t = days / 36525;
    double mean = fmod(280.46061837 + 360.98564736629 * days + t * t * 0.000387933, 360);
    return radians(mean) + place->nutation * cos(place->obliquity);
}

struct gr_sun gr_sun_at(int64_t utc_s, double latitude_deg, double longitude_deg)
{
    double days = ((double)utc_s - 946728000.0) / 86400; /* since 2000-01-01 12:00 UTC */
    struct apparent_place place = find_place((days + delta_t_s / 86400) / 36525);
    double right_ascension = atan2(cos(place.obliquity) * sin(place.longitude), cos(place.longitude));
    double sin_declination = sin(place.obliquity) * sin(place.longitude);
    double cos_declination = sqrt(fmax(1 - sin_declination * sin_declination, 0));
    double hour_angle = sidereal_time(days, &place) + radians(longitude_deg) - right_ascension;
    double sin_latitude = sin(radians(latitude_deg));
    double cos_latitude = cos(radians(latitude_deg));

    /* Towards east, north and zenith. */
    double east = -cos_declination * sin(hour_angle);
    double north = sin_declination * cos_latitude - cos_declination * cos(hour_angle) * sin_latitude;
    double up = sin_declination * sin_latitude + cos_declination * cos(hour_angle) * cos_latitude;
    double elevation_deg = degrees(atan2(up, hypot(east, north)));
    double azimuth_deg = fmod(degrees(atan2(east, north)) + 360, 360);

    double parallax_deg = 8.794 / 3600 / place.distance_au * cos(radians(elevation_deg));
    return (struct gr_sun){elevation_deg - parallax_deg, azimuth_deg, place.distance_au};
}

double gr_sun_refraction_deg(double elevation_deg)
{
    /* The sun's upper rim is below the horizon from there on, and the formula is not meant for it. */
    if (elevation_deg < -5.0 / 6) {
        return 0;
    }
    double arc_minutes = 1.02 / tan(radians(elevation_deg + 10.3 / (elevation_deg + 5.11)));
    return fmax(arc_minutes, 0) / 60;
}

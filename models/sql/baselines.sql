-- one row a setup and band of engine speed; a car counts once, however much it was logged
select
    setup,
    band_rpm,
    count(*) as cars,
    sum(pulls)::bigint as pulls,
    round(median(demand), 4) as demand_p50,
    round(median(ethanol_pct), 2) as ethanol_p50_pct,
    round(median(boost_kpa), 2) as boost_p50_kpa,
    round(quantile_cont(duty_pct, 0.10), 3) as duty_p10_pct,
    round(quantile_cont(duty_pct, 0.25), 3) as duty_p25_pct,
    round(quantile_cont(duty_pct, 0.50), 3) as duty_p50_pct,
    round(quantile_cont(duty_pct, 0.75), 3) as duty_p75_pct,
    round(quantile_cont(duty_pct, 0.90), 3) as duty_p90_pct,
    round(avg(saturated_share), 4) as saturated_share
from cars
group by setup, band_rpm
order by setup, band_rpm
